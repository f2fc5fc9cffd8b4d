"""Where a sheet's links lead."""

from __future__ import annotations

from urllib.parse import parse_qs, urlsplit

from hypothesis import given
from hypothesis import strategies as st

from pipeline.report.links import NO_NEIGHBOURS, Neighbours, ReviewLinks, neighbours_of, sheet_links


@given(st.text(min_size=1), st.integers(0, 10**7))
def test_a_frame_is_found_again_in_its_address_whatever_the_clip_is_called(clip: str, frame: int) -> None:
    address = urlsplit(ReviewLinks.of("http://127.0.0.1:8017/", "AF 1/2026-05-14").frame(clip, frame))
    assert (address.netloc, address.path) == ("127.0.0.1:8017", "/exams/AF%201/2026-05-14")
    assert parse_qs(address.fragment, keep_blank_values=True) == {"clip": [clip], "frame": [str(frame)]}


def test_without_a_review_there_are_no_addresses() -> None:
    links = sheet_links("AF-1/2026-05-14", "index-2026.html", "", NO_NEIGHBOURS, is_signed_sheet=False)
    assert (links.review.frame("left-1.mp4", 3), links.review.egg(2)) == ("", "")
    assert "Review" not in dict(links.pages)


@given(st.lists(st.text("abc", min_size=1), min_size=1, unique=True), st.data())
def test_the_exams_before_and_after_are_each_other_s_neighbours(folders: list[str], data: st.DataObject) -> None:
    folder = data.draw(st.sampled_from(folders))
    found = neighbours_of(folder, folders)
    if found.previous is None:
        assert folder == folders[0]
    else:
        assert neighbours_of(found.previous, folders).next == folder
    assert (found.next is None) == (folder == folders[-1])


def test_the_signed_sheet_links_its_own_pdf_and_the_program_s_sheet() -> None:
    neighbours = Neighbours("AF-1/2026-05-01", None)
    signed = dict(sheet_links("AF-1/2026-05-14", "index-2026.html", "", neighbours, is_signed_sheet=True).pages)
    assert signed["All exams"] == "../../index-2026.html"
    assert (signed["PDF"], signed["Program's own sheet"]) == ("signed.pdf", "report.html")
    assert signed["Her exam before"] == "../../AF-1/2026-05-01/report.html"
    assert "Her next exam" not in signed
