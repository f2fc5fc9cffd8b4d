from __future__ import annotations

from pathlib import Path

from pipeline.bench.result_files import read_results, result_folders


def test_results_are_read_from_their_folders(tmp_path: Path) -> None:
    (tmp_path / "result.json").write_text('{"animal": "AF-0001"}')
    assert read_results([tmp_path]) == [{"animal": "AF-0001"}]


def test_animal_and_date_come_from_the_result_and_not_from_the_name_of_the_folder(tmp_path: Path) -> None:
    folder = tmp_path / "AF_0001" / "exam-1"
    folder.mkdir(parents=True)
    (folder / "result.json").write_text('{"animal": "AF/0001", "exam": "2026-05-14"}')
    (tmp_path / "index.html").write_text("no result")
    assert result_folders(tmp_path) == {("AF/0001", "2026-05-14"): folder}
