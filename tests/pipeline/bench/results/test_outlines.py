"""Polygons, masks and boxes become the ellipse that they were drawn from."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pycocotools import mask as coco_mask

from models.ellipse import bounding_boxes, canonical, contains, outline, overlap
from pipeline.bench.results.outlines import (
    ellipse_of_box,
    ellipse_of_mask,
    ellipse_of_polygons,
    ellipse_of_segmentation,
)

ELLIPSES = st.tuples(
    st.floats(0, 600), st.floats(0, 400), st.floats(3, 90), st.floats(3, 90), st.floats(-90, 89.9)
).map(lambda row: canonical(row)[0])


@given(ellipse=ELLIPSES, backwards=st.booleans())
def test_a_fine_polygon_of_an_ellipse_is_that_ellipse(ellipse: np.ndarray, backwards: bool) -> None:
    corners = outline(ellipse, 400)[0]
    found = ellipse_of_polygons([corners[::-1] if backwards else corners])
    assert found[:4] == pytest.approx(ellipse[:4], abs=0.02)
    assert overlap(found, ellipse)[0, 0] > 0.995


def test_parts_of_an_object_count_together() -> None:
    left, right = (np.array([[x, 0.0], [x + 10, 0.0], [x + 10, 20.0], [x, 20.0]]) for x in (0.0, 10.0))
    whole = np.array([[0.0, 0.0], [20.0, 0.0], [20.0, 20.0], [0.0, 20.0]])
    assert ellipse_of_polygons([left, right[::-1]])[:4] == pytest.approx(ellipse_of_polygons([whole])[:4])


@given(ellipse=ELLIPSES)
def test_the_box_of_the_ellipse_of_a_box_is_that_box(ellipse: np.ndarray) -> None:
    box = bounding_boxes(ellipse)[0]
    assert bounding_boxes(ellipse_of_box(box.tolist()))[0] == pytest.approx(box, abs=1e-6)


def test_masks_are_read_in_both_forms_of_coco() -> None:
    ellipse = np.array([60.0, 40.0, 25.0, 12.0, 30.0])
    y, x = np.mgrid[:100, :120]
    mask = contains(ellipse, np.column_stack([x.ravel(), y.ravel()])).reshape(x.shape).astype(np.uint8)
    compressed = coco_mask.encode(np.asfortranarray(mask))
    changes = np.flatnonzero(np.diff(mask.ravel("F"), prepend=0))
    runs = np.diff([0, *changes, mask.size]).tolist()
    for found in (
        ellipse_of_mask(mask),
        ellipse_of_segmentation(compressed),
        ellipse_of_segmentation({"size": [100, 120], "counts": runs}),
    ):
        assert found == pytest.approx(ellipse, abs=0.3)


def test_an_outline_without_area_is_refused() -> None:
    with pytest.raises(ValueError, match="no area"):
        ellipse_of_polygons([np.array([[0.0, 0.0], [5.0, 5.0], [9.0, 9.0]])])
    with pytest.raises(ValueError, match="no area"):
        ellipse_of_mask(np.zeros((4, 4), np.uint8))
