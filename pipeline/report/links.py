"""Where the links of a sheet lead: to the other pages of the output folder, and into the review.

Pages of the output folder link each other by relative paths, so that the folder can be moved or copied. The review
answers at an address of its own, which the settings name.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath
from urllib.parse import quote, urlencode

from pipeline.exams.folder_names import relative_url
from pipeline.language.translation import gettext
from pipeline.people.signatures import SIGNED_PDF

__all__ = [
    "NO_LINKS",
    "NO_NEIGHBOURS",
    "Neighbours",
    "ReviewLinks",
    "SheetLinks",
    "neighbours_of",
    "sheet_links",
]


@dataclass(frozen=True)
class ReviewLinks:
    """Addresses of one exam's review page. page : "" if there is none, and every address is then empty"""

    page: str = ""

    @classmethod
    def of(cls, review_address: str, folder: str) -> ReviewLinks:
        """folder : ANIMAL/DATE of the exam, relative to the output folder"""
        return cls(f"{review_address.rstrip('/')}/exams/{quote(folder)}" if review_address else "")

    def frame(self, clip: str, frame: int) -> str:
        """The page, opened at a frame of a clip."""
        query = urlencode({"clip": clip.encode("utf-8", "backslashreplace").decode(), "frame": frame}, quote_via=quote)
        return f"{self.page}#{query}" if self.page else ""

    def egg(self, number: int) -> str:
        """The page, opened at an egg or at an object that was not counted."""
        return f"{self.page}#egg={number}" if self.page else ""


@dataclass(frozen=True)
class Neighbours:
    """Folders of the animal's exams before and after this one; None if there is none"""

    previous: str | None = None
    next: str | None = None


NO_NEIGHBOURS = Neighbours()


@dataclass(frozen=True)
class SheetLinks:
    """pages : label and relative address of the other pages, in order;  review : of this exam"""

    pages: tuple[tuple[str, str], ...] = ()
    review: ReviewLinks = ReviewLinks()


NO_LINKS = SheetLinks()
"""Of a sheet that stands alone."""


def sheet_links(
    folder: str, index: str, review_address: str, neighbours: Neighbours, *, is_signed_sheet: bool
) -> SheetLinks:
    """folder : ANIMAL/DATE of the exam;  index : of its season, under a name that stays, since signed sheets do

    is_signed_sheet : or the program's own one
    """
    review = ReviewLinks.of(review_address, folder)
    pages: list[tuple[str, str]] = [(gettext("All exams"), f"../../{index}")]
    pages.append((gettext("PDF"), SIGNED_PDF if is_signed_sheet else "report.pdf"))
    if is_signed_sheet:
        pages.append((gettext("Program's own sheet"), "report.html"))
    if review.page:
        pages.append((gettext("Review"), review.page))
    pages.append((gettext("Centre's record"), "../../index.html#record"))
    others = ((gettext("Her exam before"), neighbours.previous), (gettext("Her next exam"), neighbours.next))
    for label, other in others:
        if other is not None:
            pages.append((label, f"../../{relative_url(PurePosixPath(other) / 'report.html')}"))
    return SheetLinks(tuple(pages), review)


def neighbours_of(folder: str, folders: Sequence[str]) -> Neighbours:
    """folders : those of all exams of the animal, in order of their dates"""
    place = folders.index(folder)
    before, after = folders[:place], folders[place + 1 :]
    return Neighbours(before[-1] if before else None, after[0] if after else None)
