"""A method: a function ``package.module:function`` that finds outlines in a frame or in a clip.

The name of its first parameter says what it takes:

frame : (H, W) uint8, grey levels, 0 outside the sector. It returns the outlines in the frame.
clip : an iterator over such frames, in order of time. It returns or yields the outlines of each.

An outline is a mapping with the keys of a detection in COCO results (`pipeline.bench.results.coco_results`) except
``image_id``. Parameters that can only be given by name are settings; each has a default. The annotation
``Annotated[float, SearchRange(low, high)]`` lets `tuning` choose it. ``package.module:function,setting=value,...``
gives some of them.

The module may also hold a function ``origin`` that takes the same settings by name and returns an `Origin`: how tables
call the method, and what it learned from.
"""

from __future__ import annotations

import inspect
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any, get_type_hints

import numpy as np
from numpy.typing import NDArray

from models.errors import ClutchlightError
from pipeline.bench.results.coco_results import checked_detection

__all__ = ["Method", "MethodError", "Origin", "Outline", "Picture", "SearchRange", "Value", "load_method"]

Picture = NDArray[np.uint8]
Outline = Mapping[str, Any]
Value = float | int

_OWN_PEERS = "pipeline.bench.peers."


class MethodError(ClutchlightError):
    """A method that cannot be loaded, that fails, or whose answers are not outlines."""


@dataclass(frozen=True)
class SearchRange:
    """Where to search for a setting: from low to high, both included; whole numbers if both are.

    logarithmic : search equally in each factor of two instead of in each step
    """

    low: Value
    high: Value
    logarithmic: bool = False

    def draw(self, rng: np.random.Generator) -> Value:
        """A random value in the range."""
        if isinstance(self.low, int) and isinstance(self.high, int):
            return int(rng.integers(self.low, self.high, endpoint=True))
        if self.logarithmic:
            return float(np.exp(rng.uniform(np.log(self.low), np.log(self.high))))
        return float(rng.uniform(self.low, self.high))


@dataclass(frozen=True)
class Origin:
    """label : of the method in tables;  learned_from : a phrase, "" for nothing"""

    label: str
    learned_from: str = ""


@dataclass(frozen=True)
class Method:
    """A loaded method.

    name : ``module:function``;  takes_clip : whether it is given clips, otherwise frames
    settings : values of its settings, at first the defaults;  ranges : of the settings that can be tuned
    describe : the function ``origin`` of its module
    """

    name: str
    function: Callable[..., Iterable[Any]]
    takes_clip: bool
    settings: Mapping[str, Any]
    ranges: Mapping[str, SearchRange]
    describe: Callable[..., Origin] | None = None

    def origin(self) -> Origin:
        """What its module says of it, else its name. Raises MethodError, as the module does."""
        if self.describe is None:
            return Origin(self.name.removeprefix(_OWN_PEERS).removesuffix(":find"))
        return self.describe(**self.settings)

    def outlines(self, frames: Iterable[Picture]) -> Iterator[list[dict[str, Any]]]:
        """The checked outlines of each frame of one clip, in order.

        Raises MethodError if the method fails, answers anything else than outlines, or not once for each frame.
        """
        given = 0

        def counted() -> Iterator[Picture]:
            nonlocal given
            for frame in frames:
                given += 1
                yield frame

        answered, taken = 0, counted()
        try:
            for answer in self._answers(taken):
                if answered == given:
                    raise self._wrong_number()
                outlines = [checked_detection(_without_numpy(outline)) for outline in answer]
                answered += 1
                yield outlines
        except ClutchlightError:
            raise
        except Exception as error:  # whatever somebody else's code may raise
            raise MethodError(
                f"{self.name} fails at frame {answered} of a clip ({error!r}). An outline needs a score from 0 to 1 "
                "and an ellipse, a segmentation or a bbox."
            ) from error
        for _ in taken:
            pass  # counts the frames that the method has not taken
        if answered != given:
            raise self._wrong_number()

    def _wrong_number(self) -> MethodError:
        return MethodError(
            f"{self.name} does not answer each frame of a clip once. Return the outlines of each, in order; for a "
            "frame without any, an empty list."
        )

    def _answers(self, frames: Iterator[Picture]) -> Iterable[Iterable[Outline]]:
        if self.takes_clip:
            return self.function(frames, **self.settings)
        return (self.function(frame, **self.settings) for frame in frames)


def load_method(text: str) -> Method:
    """The method ``package.module:function,setting=value,...``, from installed packages or the current folder.

    A setting that is given is not tuned. Raises MethodError.
    """
    name, *given = text.split(",")
    module_name, separator, function_name = name.partition(":")
    if not (separator and module_name and function_name):
        raise MethodError(f"{name} is no method. Name it as package.module:function.")
    here = str(Path.cwd())
    sys.path.insert(0, here)  # as python -m does
    try:
        module = import_module(module_name)
        function = getattr(module, function_name)
        parameters = list(inspect.signature(function).parameters.values())
        hints = get_type_hints(function, include_extras=True)
    except Exception as error:  # an import runs somebody else's code
        raise MethodError(f"{name} cannot be loaded ({error!r}). Name it as package.module:function.") from error
    finally:
        sys.path.remove(here)
    if not parameters or parameters[0].name not in ("frame", "clip"):
        raise MethodError(f"{name}: the first parameter must be called frame or clip, after what the method takes.")
    defaults = _defaults(name, parameters[1:])
    chosen = dict(_given_setting(name, each, defaults) for each in given)
    ranges = {setting: each for setting, each in _ranges(hints).items() if setting not in chosen}
    return Method(
        name, function, parameters[0].name == "clip", {**defaults, **chosen}, ranges, getattr(module, "origin", None)
    )


def _defaults(name: str, parameters: Sequence[inspect.Parameter]) -> dict[str, Any]:
    for parameter in parameters:
        if parameter.kind is not parameter.KEYWORD_ONLY or parameter.default is parameter.empty:
            raise MethodError(f"{name}: {parameter.name} must be given by name only (after a *) and have a default.")
    return {parameter.name: parameter.default for parameter in parameters}


def _given_setting(name: str, text: str, defaults: Mapping[str, Any]) -> tuple[str, Any]:
    """The name of a setting and its value, of the same type as its default."""
    setting, _, value = text.partition("=")
    if setting not in defaults:
        raise MethodError(f"{name} has no setting {setting}. It has: {', '.join(defaults) or 'none'}.")
    try:
        return setting, type(defaults[setting])(value)
    except ValueError as error:
        raise MethodError(f"{name}: {text} cannot be used ({error}). Give a value like {defaults[setting]}.") from error


def _ranges(hints: Mapping[str, Any]) -> dict[str, SearchRange]:
    return {
        name: each
        for name, hint in hints.items()
        for each in getattr(hint, "__metadata__", ())
        if isinstance(each, SearchRange)
    }


def _without_numpy(outline: Outline) -> dict[str, Any]:
    """The outline with plain numbers and lists, as JSON holds them."""
    return {
        key: value.tolist() if isinstance(value, np.ndarray | np.generic) else value for key, value in outline.items()
    }
