"""How the help of the commands looks: flat headings over a thin rule, as on the sheets, and no boxes."""

from __future__ import annotations

from typing import Any

import typer
from typer.core import TyperCommand, TyperGroup

__all__ = ["HELP_SETTINGS", "HouseCommand", "HouseGroup"]

HELP_SETTINGS = {"help_option_names": ["--help", "-h"], "max_content_width": 100}
RULE = "\N{BOX DRAWINGS LIGHT HORIZONTAL}"


class _Formatter(typer.Context.formatter_class):  # type: ignore[valid-type, misc]  # the only public name of it
    def write_heading(self, heading: str) -> None:
        """The heading, and a rule as wide as the help. Colours are left out where the output is no terminal."""
        indent = " " * self.current_indent
        rule = RULE * (self.width - self.current_indent)
        self.write(f"{indent}{typer.style(heading, bold=True)}\n{indent}{typer.style(rule, dim=True)}\n")


class _Context(typer.Context):
    formatter_class = _Formatter


class HouseCommand(TyperCommand):
    """A command with the house's help."""

    context_class = _Context


class HouseGroup(TyperGroup):
    """A group of commands with the house's help, which gives the first sentence of each command in full."""

    context_class = _Context

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """A line or more for each command."""
        commands = ((name, self.get_command(ctx, name)) for name in self.list_commands(ctx))
        with formatter.section("Commands"):
            formatter.write_dl([(name, _first_sentence(command.help or "")) for name, command in commands if command])


def _first_sentence(text: str) -> str:
    """
    >>> _first_sentence("Copy it. Then go.\\n\\nMore."), _first_sentence("Copy it.")
    ('Copy it.', 'Copy it.')
    """
    return text.partition("\n\n")[0].partition(". ")[0].rstrip(".") + "."
