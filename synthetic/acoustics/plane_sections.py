"""Planes through animals: which objects each one meets, and what a label of the picture should say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from models.ellipsoid import section
from models.targets import Labels, Role
from synthetic.acoustics.beam_rendering import Beams, Plane, Slice
from synthetic.acoustics.geometry import Scanner, View
from synthetic.acoustics.materials import Materials
from synthetic.acoustics.visibility import Visibility, outline_visibility
from synthetic.anatomy.animal import Animal
from synthetic.anatomy.bodies import Kind

__all__ = ["AnimalBatch", "PlaneSections", "make_labels", "measure_visibility", "section_animals", "shown_objects"]

# An object counts as in view if this much of its outline lies in the sector, this much of that is not in deep shadow
# and stands out of its surroundings, and the plane passes this near to its middle (section over greatest section).
# Others are neither right nor wrong. A short arc of shell is telling; of a follicle, which has none,
# three quarters must be there and enough of it to be told from a grain of the speckle.
MIN_IN_SECTOR = 0.55
MIN_UNSHADOWED = 0.3
MIN_SHELL_DISTINCT = 0.25
MIN_FOLLICLE_DISTINCT = 0.75
MIN_SECTION_RATIO = 0.45
MIN_SHELL_SEMI_MINOR = 0.014  # of the picture's longer side
MIN_FOLLICLE_SEMI_MINOR = 0.018


@dataclass(frozen=True)
class AnimalBatch:
    """Animals side by side, padded to the same number of objects.

    kinds (A, K) int64, centre (A, K, 3) mm, shape (A, K, 3, 3), min_semi_axis_mm (A, K), is_object (A, K) bool
    """

    kinds: Tensor
    centre: Tensor
    shape: Tensor
    min_semi_axis_mm: Tensor
    is_object: Tensor

    @classmethod
    def of(cls, animals: Sequence[Animal], device: torch.device) -> AnimalBatch:
        max_objects = max(len(animal.kinds) for animal in animals)

        def padded(values: list[np.ndarray], dtype: torch.dtype) -> Tensor:
            result = torch.zeros(len(values), max_objects, *values[0].shape[1:], dtype=dtype)
            for row, value in zip(result, values, strict=True):
                row[: len(value)] = torch.from_numpy(value)
            return result.to(device)

        return cls(
            kinds=padded([a.kinds for a in animals], torch.int64),
            centre=padded([a.centres for a in animals], torch.float32),
            shape=padded([a.shapes for a in animals], torch.float32),
            min_semi_axis_mm=padded([a.semi_axes.min(axis=1) for a in animals], torch.float32),
            is_object=padded([np.ones(len(a.kinds), dtype=bool) for a in animals], torch.bool),
        )

    def take(self, index: Tensor) -> AnimalBatch:
        """The animals of (B,) indices, one a row."""
        return AnimalBatch(
            self.kinds[index],
            self.centre[index],
            self.shape[index],
            self.min_semi_axis_mm[index],
            self.is_object[index],
        )


@dataclass(frozen=True)
class PlaneSections:
    """The objects that B planes meet, at most L each, in drawing order.

    slice : for the renderer;  kinds (B, L), index (B, L) into the animal's objects
    ellipses (B, L, 5) in plane mm, NaN where nothing;  section_ratio (B, L) section over greatest section, 0 to 1
    """

    slice: Slice
    kinds: Tensor
    index: Tensor
    ellipses: Tensor
    section_ratio: Tensor


def section_animals(
    animal_batch: AnimalBatch,
    materials: Materials,
    plane: Plane,
    noise_offset: Tensor,
    *,
    max_objects: int = 24,
    one_animal: bool = False,
) -> PlaneSections:
    """What planes (B) meet in animals (B). Where a plane meets more than ``max_objects``, the outermost cuts are left out.

    one_animal : the rows are one animal at B moments; every object then keeps one column throughout.
    """
    ellipses, middle = section(
        animal_batch.centre, animal_batch.shape, plane.origin[:, None], plane.right[:, None], plane.down[:, None]
    )
    middle = torch.where(animal_batch.is_object, middle, torch.zeros_like(middle))
    # Eggs and follicles come before organs when there are too many.
    rank = middle + 2.0 * ((animal_batch.kinds >= Kind.FOLLICLE) & (middle > 0))
    if one_animal:
        rank = rank.amax(0, keepdim=True).expand_as(rank)
        max_objects = max(max_objects, int((rank[0] > 0).sum()))
    index = rank.topk(min(max_objects, rank.shape[1]), dim=1).indices
    index = index.sort(dim=1).values  # animals keep their objects in drawing order
    present = middle.gather(1, index) > 0

    def chosen(values: Tensor) -> Tensor:
        shape = index.shape + (1,) * (values.dim() - 2)
        return values.gather(1, index.view(shape).expand(*index.shape, *values.shape[2:]))

    slice_ = Slice(
        centre=chosen(animal_batch.centre),
        shape=chosen(animal_batch.shape),
        min_semi_axis_mm=chosen(animal_batch.min_semi_axis_mm),
        materials=materials.take(index),
        present=present,
        noise_offset=noise_offset,
    )
    nothing = torch.full_like(chosen(ellipses), torch.nan)
    return PlaneSections(
        slice_,
        chosen(animal_batch.kinds),
        index,
        torch.where(present[..., None], chosen(ellipses), nothing),
        chosen(middle),
    )


def measure_visibility(
    cut_: PlaneSections, beams: Beams, grey: Tensor, scanner: Scanner, view: View, height: int, width: int
) -> Visibility:
    """What pictures of (height, width) px show of what the planes meet.

    grey : (B, lines, samples) in [0, 1], what the screen makes of the beams
    """
    return outline_visibility(cut_.ellipses, _wanted(cut_), beams, grey, scanner, view, height, width)


def make_labels(cut_: PlaneSections, seen: Visibility, view: View, height: int, width: int) -> Labels:
    """Labels of pictures (height, width) px, of which ``seen`` tells what they show."""
    screen = view.to_screen(cut_.ellipses)
    visible = _well_cut(cut_, seen, screen, max(height, width)) & (seen.unshadowed >= MIN_UNSHADOWED)
    visible &= seen.distinct_unshadowed >= _least_standing_out(cut_)
    role = torch.where(
        visible, Role.TARGET, torch.where(_wanted(cut_) & (seen.in_sector > 0), Role.IGNORED, Role.EMPTY)
    )
    empty = torch.tensor([0.0, 0.0, 1.0, 1.0, 0.0], device=screen.device)
    return Labels(
        ellipses=torch.where((role != Role.EMPTY)[..., None], screen, empty),
        stage=(cut_.kinds - int(Kind.FOLLICLE)).clamp(min=0),
        role=role,
        visible=seen.unshadowed,
        mm_per_px=view.mm_per_px,
    )


def shown_objects(cut_: PlaneSections, seen: Visibility, view: View, height: int, width: int) -> Tensor:
    """(B, L) bool, of which eggs and follicles a person would say that they are there: well cut, and their outlines
    stand out, be it in a shadow. Every one that is labelled as to be found is among them.
    """
    screen = view.to_screen(cut_.ellipses)
    return _well_cut(cut_, seen, screen, max(height, width)) & (seen.distinct >= _least_standing_out(cut_))


def _wanted(cut_: PlaneSections) -> Tensor:
    return (cut_.kinds >= Kind.FOLLICLE) & (cut_.section_ratio > 0)


def _well_cut(cut_: PlaneSections, seen: Visibility, screen: Tensor, side: int) -> Tensor:
    least = torch.where(cut_.kinds == Kind.FOLLICLE, MIN_FOLLICLE_SEMI_MINOR, MIN_SHELL_SEMI_MINOR) * side
    return (
        _wanted(cut_)
        & (seen.in_sector >= MIN_IN_SECTOR)
        & (cut_.section_ratio >= MIN_SECTION_RATIO)
        & (screen[..., 3] >= least)
    )


def _least_standing_out(cut_: PlaneSections) -> Tensor:
    return torch.where(cut_.kinds == Kind.FOLLICLE, MIN_FOLLICLE_DISTINCT, MIN_SHELL_DISTINCT)
