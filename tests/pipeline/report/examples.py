"""Makes the pictures of the README again, from the demo: ``python -m tests.pipeline.report.examples``, some minutes.

``sheet.png`` is the demo's first sheet as a browser shows it. ``frame.png`` is the frame of that exam with the most
eggs, and their outlines.
"""

from __future__ import annotations

import json
from collections import defaultdict
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import av
import cv2
import numpy as np
from numpy.typing import NDArray
from playwright.sync_api import sync_playwright

from models.ellipse import outline
from pipeline.cli.app import main
from tests.pipeline.conftest import CHROMIUM

EXAMPLES = Path(__file__).parents[3] / "pipeline" / "report" / "examples"
ANIMAL = "AF-0412"
SHEET_WIDTH_PX = 740
DARK, LIGHT = 12, 245  # grey levels of a line and its edges


def make_examples(folder: Path, exams: Path, results: Path) -> None:
    """Write both pictures into ``folder``, from a demo's exams and results. Overwrites the old ones."""
    (exam,) = (exams / ANIMAL).iterdir()
    result = results / ANIMAL / exam.name
    with sync_playwright() as started:
        browser = started.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_page(viewport={"width": SHEET_WIDTH_PX, "height": 900})
        page.goto((result / "report.html").as_uri())
        page.screenshot(path=folder / "sheet.png", full_page=True)
        browser.close()
    clip, frame, ellipses = frame_with_most_eggs(
        json.loads((result / "detections.coco.json").read_text(encoding="utf-8"))
    )
    picture = draw_outlines(grey_frame(exam / clip, frame), ellipses)
    cv2.imwrite(str(folder / "frame.png"), picture)


def frame_with_most_eggs(detections: dict[str, Any]) -> tuple[str, int, NDArray[np.float64]]:
    """Clip, frame number and outlines (N, 5) of the frame with the most counted eggs, the first of equals."""
    ellipses_by_image = defaultdict(list)
    for annotation in detections["annotations"]:
        if annotation["egg_id"]:
            ellipses_by_image[annotation["image_id"]].append(annotation["ellipse"])
    images = {image["id"]: image for image in detections["images"]}
    best = max(sorted(ellipses_by_image), key=lambda image: len(ellipses_by_image[image]))
    return images[best]["clip"], images[best]["frame"], np.array(ellipses_by_image[best])


def grey_frame(path: Path, number: int) -> NDArray[np.uint8]:
    with av.open(str(path)) as container:
        for index, frame in enumerate(container.decode(video=0)):
            if index == number:
                return np.asarray(frame.to_ndarray(format="gray"), np.uint8)
    raise ValueError(f"{path} has no frame {number}")


def draw_outlines(grey: NDArray[np.uint8], ellipses: NDArray[np.float64]) -> NDArray[np.uint8]:
    """The frame with a light line along each outline. Dark edges make the line visible on bright tissue too."""
    picture = grey.copy()
    lines = [np.round(line * 16).astype(np.int32)[:, None] for line in outline(ellipses, corners=360)]
    for level, thickness in ((DARK, 4), (LIGHT, 2)):
        cv2.polylines(picture, lines, True, level, thickness, cv2.LINE_AA, shift=4)
    return picture


if __name__ == "__main__":
    with TemporaryDirectory() as made:
        if main(["demo", "--out", made]) == 0:
            make_examples(EXAMPLES, Path(made) / "exams", Path(made) / "results")
