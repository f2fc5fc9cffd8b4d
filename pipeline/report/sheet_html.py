"""``report.html``: one animal's sheet as a self-contained page for a screen or phone."""

from __future__ import annotations

import base64
from typing import TYPE_CHECKING

from pipeline.report.body_map import body_map_svg
from pipeline.report.egg_overlay import egg_overlay_svg
from pipeline.report.frame_links import frames_pattern
from pipeline.report.range_bar import range_bar_svg
from pipeline.report.rendering import render
from pipeline.report.sheet_content import SheetContent
from pipeline.report.sign_off import SheetSignature
from pipeline.report.sweep_plot import sweep_plot_svg
from pipeline.report.timeline import timeline_svg

if TYPE_CHECKING:
    from markupsafe import Markup

__all__ = ["sheet_html"]


def sheet_html(content: SheetContent, signature: SheetSignature | None = None) -> bytes:
    """The page as UTF-8, with pictures and style inside, no script, and no request to anywhere.

    signature : who signed the exam. On a signed sheet, the content already has the changes that people made
    """
    from markupsafe import Markup

    timeline = content.history.timeline if content.history else None
    # The drawings escape everything inside them.
    return render(
        "sheet.html.j2",
        sheet=content,
        labels=content.labels,
        signature=signature,
        sweep=Markup(sweep_plot_svg(content.sweep_plot)) if content.sweep_plot else None,
        timeline=Markup(timeline_svg(timeline)) if timeline else None,
        body=Markup(body_map_svg(content.body_map)) if content.body_map else None,
        picture_url=_picture_url,
        overlay=lambda entry: Markup(egg_overlay_svg(entry.cutout, entry.stage)),
        range_bar=lambda bar: Markup(range_bar_svg(bar)),
        linked=lambda text: _linked(text, content),
    )


def _linked(text: str, content: SheetContent) -> Markup:
    """The text, escaped, in which "CLIP, frames 18 to 30" is a link that opens the review there."""
    from markupsafe import Markup, escape

    review, clips = content.links.review, [clip.file for clip in content.clips]
    if not review.page or not clips:
        return escape(text)
    parts, end = [], 0
    for found in frames_pattern(clips).finditer(text):
        address = review.frame(found["clip"], int(found["first"]))
        link = Markup('<a href="{}">{}</a>').format(address, found[0])
        parts += [escape(text[end : found.start()]), link]
        end = found.end()
    return Markup("").join([*parts, escape(text[end:])])


def _picture_url(jpeg: bytes) -> str:
    return f"data:image/jpeg;base64,{base64.b64encode(jpeg).decode()}"
