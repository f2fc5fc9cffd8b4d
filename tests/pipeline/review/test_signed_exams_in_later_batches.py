"""How later batches show exams that were signed."""

from __future__ import annotations

from pathlib import Path

from pipeline.batch.run import run_batch
from tests.pipeline.blob_finder import BlobFinder
from tests.pipeline.review.conftest import SETTINGS, Visitor

SIGNED_BY = "Signed by <b>Orla Finch</b>, veterinarian"


def test_later_batches_show_who_signed_until_the_exam_is_reopened(vet: Visitor, night: Path, out: Path) -> None:
    report = out / "AF-0412" / "2026-05-14" / "report.html"

    def run_again() -> dict[str, str]:
        run = run_batch(night.parent / "root", out, SETTINGS, BlobFinder)
        return {exam.animal: exam.status for exam in run.exams}

    assert set(run_again().values()) == {"unchanged"}
    vet.submit({"kind": "signed"}, request_id="request-1")
    statuses = run_again()
    assert [animal for animal, status in statuses.items() if status == "written"] == ["AF-0412"]
    assert SIGNED_BY in report.read_text()
    assert 'href="AF-0412/2026-05-14/signed.html"' in (out / "index.html").read_text()
    assert set(run_again().values()) == {"unchanged"}
    vet.submit({"kind": "reopened", "reason": "a slip"}, request_id="request-2")
    assert run_again()["AF-0412"] == "written"
    assert SIGNED_BY not in report.read_text()
    assert "signed.html" not in (out / "index.html").read_text()
