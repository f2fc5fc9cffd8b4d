"""Planes through animals: which objects each plane meets, and how they are labelled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from models.contrast import contrast_snr
from models.ellipsoid import nearest_ellipsoid, section
from models.targets import Labels, Role
from synthetic.acoustics.beam_rendering import Beams, Plane, Slice
from synthetic.acoustics.geometry import Scanner, View
from synthetic.acoustics.materials import Materials
from synthetic.acoustics.visibility import Visibility, outline_visibility
from synthetic.anatomy.animal import Animal
from synthetic.anatomy.bodies import Kind, is_target

__all__ = [
    "LABEL_RULE",
    "AnimalBatch",
    "LabelRule",
    "PlaneSections",
    "follicle_contrast",
    "make_labels",
    "measure_visibility",
    "section_animals",
    "shown_objects",
]


@dataclass(frozen=True)
class LabelRule:
    """When a detector must find an object. Other objects that show are ignored: neither right nor wrong.

    min_in_sector : share of its outline that lies in the sector
    min_unshadowed : share of its outline that is in the sector and not in deep shadow
    min_shell_distinct : share of an egg's outline that stands out of the surroundings: a short arc of shell is enough
    min_follicle_distinct : the same of a follicle. It has no shell, and the next number allows for speckle only: on one
    side, patches of uneven tissue often differ as much
    min_follicle_snr : the contrast of the whole follicle, see models.contrast. By chance one in twenty discs in plain
    speckle reaches 2
    min_section_ratio : section over greatest section, that is how near to its middle the plane passes
    min_semi_minor : shorter semi-axis, as a share of the picture's longer side
    """

    min_in_sector: float = 0.55
    min_unshadowed: float = 0.3
    min_shell_distinct: float = 0.25
    min_follicle_distinct: float = 0.5
    min_follicle_snr: float = 2.0
    min_section_ratio: float = 0.45
    min_semi_minor: float = 0.014


LABEL_RULE = LabelRule()
_NO_ELLIPSE = torch.tensor([0.0, 0.0, 1.0, 1.0, 0.0])


@dataclass(frozen=True)
class AnimalBatch:
    """A animals, padded to the same number of objects.

    kinds : (A, K) int64;  centre : (A, K, 3) mm;  shape, rotation : (A, K, 3, 3);  half_length, bend : (A, K)
    min_semi_axis_mm : (A, K) shortest semi-axis
    is_object : (A, K) bool, False where there is padding
    """

    kinds: Tensor
    centre: Tensor
    shape: Tensor
    rotation: Tensor
    half_length: Tensor
    bend: Tensor
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
            rotation=padded([a.rotations for a in animals], torch.float32),
            half_length=padded([a.half_length for a in animals], torch.float32),
            bend=padded([a.bend for a in animals], torch.float32),
            min_semi_axis_mm=padded([a.semi_axes.min(axis=1) for a in animals], torch.float32),
            is_object=padded([np.ones(len(a.kinds), dtype=bool) for a in animals], torch.bool),
        )

    def take(self, index: Tensor) -> AnimalBatch:
        """The animals at (B,) indices, one for each row."""
        return AnimalBatch(**{name: values[index] for name, values in vars(self).items()})


@dataclass(frozen=True)
class PlaneSections:
    """The objects that B planes meet, at most L each, in drawing order.

    slice : for the renderer;  kinds : (B, L);  index : (B, L) into the animal's objects
    ellipses : (B, L, 5) in plane mm, NaN where the plane misses the object; of a tube, of one ellipsoid within it
    section_ratio : (B, L) section over greatest section, 0 to 1
    """

    slice: Slice
    kinds: Tensor
    index: Tensor
    ellipses: Tensor
    section_ratio: Tensor

    @property
    def is_target(self) -> Tensor:
        """(B, L) bool, eggs and follicles that the plane meets."""
        return is_target(self.kinds) & (self.section_ratio > 0)

    @property
    def is_follicle(self) -> Tensor:
        """(B, L) bool, follicles that the plane meets."""
        return (self.kinds == Kind.FOLLICLE) & (self.section_ratio > 0)


def section_animals(
    animal_batch: AnimalBatch,
    materials: Materials,
    plane: Plane,
    noise_offset: Tensor,
    *,
    max_objects: int = 24,
    one_animal: bool = False,
) -> PlaneSections:
    """What B planes meet in B animals. Where a plane meets more than ``max_objects``, the outermost cuts are left out.

    noise_offset : (B, 3) mm, moves the body's noise
    one_animal : the rows are one animal at B moments; every object then keeps its column throughout
    """
    at = plane.origin[:, None], plane.right[:, None], plane.down[:, None]
    nearest = nearest_ellipsoid(
        animal_batch.centre, animal_batch.rotation, animal_batch.half_length, animal_batch.bend, *at
    )
    ellipses, section_ratio = section(nearest, animal_batch.shape, *at)
    section_ratio = torch.where(animal_batch.is_object, section_ratio, torch.zeros_like(section_ratio))
    # Where there are too many, eggs and follicles come before organs.
    rank = section_ratio + 2.0 * (is_target(animal_batch.kinds) & (section_ratio > 0))
    if one_animal:
        rank = rank.amax(0, keepdim=True).expand_as(rank)
        max_objects = max(max_objects, int((rank[0] > 0).sum()))
    index = rank.topk(min(max_objects, rank.shape[1]), dim=1).indices
    index = index.sort(dim=1).values  # an animal's objects lie in drawing order
    present = section_ratio.gather(1, index) > 0

    def chosen(values: Tensor) -> Tensor:
        shape = index.shape + (1,) * (values.dim() - 2)
        return values.gather(1, index.view(shape).expand(*index.shape, *values.shape[2:]))

    slice_ = Slice(
        centre=chosen(animal_batch.centre),
        shape=chosen(animal_batch.shape),
        rotation=chosen(animal_batch.rotation),
        half_length=chosen(animal_batch.half_length),
        bend=chosen(animal_batch.bend),
        min_semi_axis_mm=chosen(animal_batch.min_semi_axis_mm),
        materials=materials.take(index),
        present=present,
        noise_offset=noise_offset,
    )
    missed = torch.full_like(chosen(ellipses), torch.nan)
    return PlaneSections(
        slice=slice_,
        kinds=chosen(animal_batch.kinds),
        index=index,
        ellipses=torch.where(present[..., None], chosen(ellipses), missed),
        section_ratio=chosen(section_ratio),
    )


def measure_visibility(
    sections: PlaneSections, beams: Beams, grey: Tensor, scanner: Scanner, view: View, height: int, width: int
) -> Visibility:
    """What pictures of (height, width) px show of the objects that the planes meet.

    grey : (B, lines, samples) in [0, 1], what the screen shows of the beams

    What is no target may have any values.
    """
    columns = _target_columns(sections)
    ellipses, is_target = sections.ellipses[:, columns], sections.is_target[:, columns]
    seen = outline_visibility(ellipses, is_target, beams, grey, scanner, view, height, width)
    return Visibility(**{name: _spread(values, columns, sections) for name, values in vars(seen).items()})


def follicle_contrast(sections: PlaneSections, pictures: Tensor, loss_db: Tensor, view: View) -> Tensor:
    """(B, L) signal-to-noise ratio of the follicles in (B, H, W) pictures in [0, 1]; 0 where it cannot be measured.

    loss_db : (B, H, W), see models.contrast
    """
    columns = _target_columns(sections)
    screen, is_target = view.to_screen(sections.ellipses[:, columns]), sections.is_target[:, columns]
    ellipses = torch.where(is_target[..., None], screen, _NO_ELLIPSE.to(screen.device))
    snr = contrast_snr(pictures, ellipses, is_target, loss_db=loss_db)
    return torch.where(sections.is_follicle, _spread(snr, columns, sections).nan_to_num(0.0), 0.0)


def _target_columns(sections: PlaneSections) -> Tensor:
    """The columns that need to be measured: on a CPU those that have a target in any row, and one at least."""
    is_measured = sections.is_target.any(0)
    if is_measured.is_cuda:  # there the question would make everything wait for the answer
        return torch.arange(len(is_measured), device=is_measured.device)
    return is_measured.nonzero()[:, 0] if is_measured.any() else torch.zeros(1, dtype=torch.int64)


def _spread(values: Tensor, columns: Tensor, sections: PlaneSections) -> Tensor:
    """(B, L) values of which those of the columns are given, and the others are 0."""
    return values.new_zeros(sections.kinds.shape).index_copy(1, columns, values)


def make_labels(
    sections: PlaneSections, visibility: Visibility, snr: Tensor, view: View, height: int, width: int
) -> Labels:
    """Labels of pictures of (height, width) px that show this much of each object. snr : see follicle_contrast"""
    screen = view.to_screen(sections.ellipses)
    must_find = _well_cut(sections, visibility, screen, max(height, width))
    must_find &= visibility.unshadowed >= LABEL_RULE.min_unshadowed
    must_find &= _stands_out(sections, visibility.distinct_unshadowed, snr)
    ignored = sections.is_target & (visibility.in_sector > 0)
    role = torch.where(must_find, Role.TARGET, torch.where(ignored, Role.IGNORED, Role.EMPTY))
    return Labels(
        ellipses=torch.where((role != Role.EMPTY)[..., None], screen, _NO_ELLIPSE.to(screen.device)),
        stage=(sections.kinds - int(Kind.FOLLICLE)).clamp(min=0),
        role=role,
        visible=visibility.unshadowed,
        mm_per_px=view.mm_per_px,
    )


def shown_objects(
    sections: PlaneSections, visibility: Visibility, snr: Tensor, view: View, height: int, width: int
) -> Tensor:
    """(B, L) bool, the eggs and follicles that a person would say are there.

    They are well cut and stand out, be it in a shadow. All that a detector must find are among them.
    """
    screen = view.to_screen(sections.ellipses)
    well_cut = _well_cut(sections, visibility, screen, max(height, width))
    return well_cut & _stands_out(sections, visibility.distinct, snr)


def _well_cut(sections: PlaneSections, visibility: Visibility, screen: Tensor, side_px: int) -> Tensor:
    """(B, L) bool, targets that lie in the sector, are cut near their middles and are large enough on the screen."""
    return (
        sections.is_target
        & (visibility.in_sector >= LABEL_RULE.min_in_sector)
        & (sections.section_ratio >= LABEL_RULE.min_section_ratio)
        & (screen[..., 3] >= LABEL_RULE.min_semi_minor * side_px)
    )


def _stands_out(sections: PlaneSections, distinct: Tensor, snr: Tensor) -> Tensor:
    """(B, L) bool, an egg by this distinct share of its outline, a follicle also by its contrast."""
    is_clear = (snr >= LABEL_RULE.min_follicle_snr) & (distinct >= LABEL_RULE.min_follicle_distinct)
    return torch.where(sections.is_follicle, is_clear, distinct >= LABEL_RULE.min_shell_distinct)
