from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import torch

from models.targets import Labels, Role
from synthetic.errors import PhantomError
from synthetic.training.contact_sheet import (
    SheetSection,
    contact_sheet,
    draw_outlines,
    shuffle_together,
    training_pictures,
    write_sheet,
)
from synthetic.training.dataset import PhantomPictures, StreamSettings

SIDE = 64


def grey(number: int, level: int = 100) -> np.ndarray:
    return np.full((number, SIDE, SIDE), level, dtype=np.uint8)


def labels(*rows: tuple[list[float], int, int]) -> Labels:
    """The objects of one picture: ellipse, stage, role."""
    ellipses, stage, role = zip(*rows, strict=True)
    shares = torch.ones(1, len(rows))
    return Labels(torch.tensor([ellipses]), torch.tensor([stage]), torch.tensor([role]), shares, torch.ones(1))


def test_pictures_are_those_of_training_for_the_seed() -> None:
    pictures, labels_of_pictures = training_pictures(3, seed=4)
    assert (pictures.shape, pictures.dtype) == ((3, 256, 256), np.uint8)
    batch, expected = PhantomPictures(StreamSettings(animals=3, batch=3, processes=1), 4, torch.device("cpu")).batch(0)
    np.testing.assert_array_equal(pictures, np.round(batch[:, 0].numpy() * 255).astype(np.uint8))
    assert torch.equal(labels_of_pictures.ellipses, expected.ellipses)


def test_a_sheet_without_pictures_is_refused() -> None:
    with pytest.raises(PhantomError, match="at least 1 picture, got 0"):
        training_pictures(0, seed=1)


def test_outlines_are_drawn_at_the_labels_and_nowhere_else() -> None:
    ellipse = [30.0, 34.0, 20.0, 10.0, 90.0]  # vertical
    drawn = draw_outlines(grey(1), labels((ellipse, 0, Role.TARGET), ([1.0, 1.0, 5.0, 5.0, 0.0], 0, Role.EMPTY)))
    assert drawn.shape == (1, SIDE, SIDE, 3)
    changed = (drawn[0] != 100).any(axis=-1)
    y, x = np.nonzero(changed)
    radius = np.hypot((x - 30) / 10, (y - 34) / 20)
    assert np.abs(radius - 1).max() < 0.2
    for tip in ((34 - 20, 30), (34 + 20, 30), (34, 30 - 10), (34, 30 + 10)):
        assert changed[tip]


def test_stages_and_ignored_objects_have_colours_of_their_own() -> None:
    def colour(stage: int, role: Role) -> tuple[int, ...]:
        (picture,) = draw_outlines(grey(1, 0), labels(([32.0, 32.0, 15.0, 15.0, 0.0], stage, role)))
        return tuple(picture[32, 47].tolist())

    colours = [*(colour(stage, Role.TARGET) for stage in range(3)), colour(0, Role.IGNORED)]
    assert len(set(colours)) == 4
    assert colour(2, Role.IGNORED) == colours[3]
    assert len(set(colours[3])) == 1  # grey


def test_a_sheet_holds_every_picture_once_and_in_order() -> None:
    pictures = np.stack([grey(1, 60 + 10 * n)[0] for n in range(5)])
    sheet = contact_sheet(
        "Five, seed 3", [SheetSection("plain", pictures), SheetSection("again", pictures[:2])], columns=3
    )
    assert sheet.dtype == np.uint8
    assert sheet[:34].max() > 200  # the title
    top, step = 2 * 34 + 4, SIDE + 4  # two lines of text, a gap
    for index in range(5):
        y, x = top + step * (index // 3), 4 + step * (index % 3)
        assert (sheet[y : y + SIDE, x : x + SIDE] == 60 + 10 * index).all()
    assert (sheet == 60).all(axis=-1).sum() == pytest.approx(2 * SIDE * SIDE, abs=60)  # text edges have any grey
    # There is a legend only if there are colours.
    coloured = contact_sheet("Five", [SheetSection("labels", np.repeat(pictures[..., None], 3, axis=-1))], columns=3)
    plain = contact_sheet("Five", [SheetSection("labels", pictures)], columns=3)
    assert len(coloured) > len(plain)


def test_shuffled_pictures_keep_their_names() -> None:
    both, kinds = shuffle_together(grey(6, 10), grey(6, 20), [f"clip#{n}" for n in range(6)], seed=2)
    assert [kind == "phantom" for kind in kinds] == (both[:, 0, 0] == 10).tolist()
    assert sorted(kinds)[:6] == [f"clip#{n}" for n in range(6)]
    assert kinds != sorted(kinds)
    assert shuffle_together(grey(6, 10), grey(6, 20), [f"clip#{n}" for n in range(6)], seed=2)[1] == kinds


def test_sheets_are_written_completely_or_refused(tmp_path: Path) -> None:
    sheet = np.zeros((20, 30, 3), dtype=np.uint8)
    sheet[..., 0] = 250  # red
    write_sheet(tmp_path / "new" / "sheet.png", sheet)
    read = cv2.imread(str(tmp_path / "new" / "sheet.png"))
    assert read is not None
    assert read[5, 5].tolist() == [0, 0, 250]
    assert [path.name for path in (tmp_path / "new").iterdir()] == ["sheet.png"]
    (tmp_path / "file").write_text("")
    with pytest.raises(PhantomError, match=r"sheet\.png cannot be written"):
        write_sheet(tmp_path / "file" / "sheet.png", sheet)
