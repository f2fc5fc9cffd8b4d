"""Acoustic properties of everything in a phantom, drawn from the ranges in ``configs/materials.toml``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Annotated

import torch
from pydantic import BaseModel, ConfigDict, Field, model_validator
from torch import Tensor

from configs.reading import config_path, read_toml, require_ordered_ranges
from synthetic.anatomy.bodies import Kind
from synthetic.errors import PhantomError

__all__ = ["MaterialTable", "Materials", "load_materials"]

_Range = tuple[float, float]
_NotNegative = Annotated[float, Field(ge=0)]
_Share = Annotated[float, Field(ge=0, le=1)]
_Speed = Annotated[float, Field(gt=0.3, lt=7)]  # mm/us: from that of air to that of calcite
_PositiveRange = tuple[_NotNegative, _NotNegative]


class _Variant(BaseModel):
    """One ``[[material]]`` of the file: ranges (lowest, highest) of what differs from the defaults here."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    kind: str
    weight: Annotated[float, Field(ge=0)] = 0.0
    outlier_share: Annotated[float, Field(ge=0, lt=1)] = 0.0
    echo_db: _Range
    texture_db: _PositiveRange = (0.0, 0.0)
    stripe_db: _PositiveRange = (0.0, 0.0)
    stripe_mm: _PositiveRange = (0.0, 0.0)
    core_share: _PositiveRange = (0.0, 0.0)
    core_db: _Range = (0.0, 0.0)
    rim_db: _Range
    rim_mm: _PositiveRange
    rim_share: _PositiveRange = (0.0, 0.0)
    rim_floor: _PositiveRange = (0.0, 0.3)
    rim_power: _PositiveRange = (1.0, 6.0)
    rim_dropout_db: _PositiveRange = (0.0, 6.0)
    loss_db: _PositiveRange = (0.0, 0.0)
    shell_mm: _PositiveRange = (0.0, 0.0)
    mineral: tuple[_Share, _Share] = (0.0, 0.0)
    absorption: _PositiveRange = (0.0, 0.0)
    speed: tuple[_Speed, _Speed] = (1.54, 1.54)
    attenuation: _PositiveRange
    unevenness: _PositiveRange
    border_blur_mm: _PositiveRange
    ring_down: _PositiveRange = (0.0, 0.0)

    @model_validator(mode="after")
    def _ordered(self) -> _Variant:
        return require_ordered_ranges(self)


class _File(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    material: tuple[_Variant, ...]


@dataclass(frozen=True)
class Materials:
    """Properties of objects; each (B, K) float32. Meanings and units stand in ``configs/materials.toml``."""

    echo_db: Tensor
    texture_db: Tensor
    stripe_db: Tensor
    stripe_mm: Tensor
    core_share: Tensor
    core_db: Tensor
    rim_db: Tensor
    rim_mm: Tensor
    rim_share: Tensor
    rim_floor: Tensor
    rim_power: Tensor
    rim_dropout_db: Tensor
    loss_db: Tensor
    shell_mm: Tensor
    mineral: Tensor
    absorption: Tensor
    speed: Tensor
    attenuation: Tensor
    unevenness: Tensor
    border_blur_mm: Tensor
    ring_down: Tensor

    def take(self, index: Tensor) -> Materials:
        """The materials of chosen objects, given by index (B, K') int64."""
        return Materials(*(getattr(self, field.name).gather(1, index) for field in fields(self)))


_NAMES = tuple(field.name for field in fields(Materials))


@dataclass(frozen=True)
class MaterialTable:
    """The file's variants as tensors.

    ranges : (kinds, variants, properties, 2);  weights : (kinds, variants), 0 where a kind has fewer variants
    outlier_share : (kinds, variants) share of single objects that take this variant, independent of their animal's
    """

    ranges: Tensor
    weights: Tensor
    outlier_share: Tensor

    def to(self, device: torch.device) -> MaterialTable:
        return MaterialTable(self.ranges.to(device), self.weights.to(device), self.outlier_share.to(device))

    def draw(self, kinds: Tensor, generator: torch.Generator, *, scatter: float = 0.3) -> Materials:
        """Materials for objects of (B, K) kinds. Rows are animals: within one animal, objects of a kind are similar.

        scatter : share of a range over which single objects vary around their animal's own value
        """
        batch, objects = kinds.shape
        number = len(self.weights)
        device = kinds.device
        variant = torch.multinomial(self.weights.repeat(batch, 1), 1, generator=generator)
        variant = variant.view(batch, number)  # of each animal and kind
        own = torch.rand(batch, number, len(_NAMES), generator=generator, device=device)
        single = torch.rand(batch, objects, len(_NAMES), generator=generator, device=device)
        rows = torch.arange(batch, device=device)[:, None]
        share = (1 - scatter) * own[rows, kinds] + scatter * single
        # One draw against the running sum of the outlier shares: above all of them, the animal's own variant.
        chance = torch.rand(batch, objects, 1, generator=generator, device=device)
        outlier = (chance >= self.outlier_share.cumsum(1)[kinds]).sum(2)  # (B, K)
        taken = torch.where(outlier < self.outlier_share.shape[1], outlier, variant[rows, kinds])
        ranges = self.ranges[kinds, taken]  # (B, K, P, 2)
        values = ranges[..., 0] + share * (ranges[..., 1] - ranges[..., 0])
        return Materials(*values.unbind(-1))


def load_materials(path: Path | None = None) -> MaterialTable:
    """The table of the shipped file, or of another file of the same form.

    Raises configs.reading.ConfigError for an invalid file, and PhantomError if a kind is missing or unknown.
    """
    file = read_toml(path or config_path("materials.toml"), _File)
    return _table(file.material)


def _table(variants: Sequence[_Variant]) -> MaterialTable:
    names = {kind.name.lower().replace("_", "-"): kind for kind in Kind}
    of_kind: dict[Kind, list[_Variant]] = {kind: [] for kind in Kind}
    for variant in variants:
        if variant.kind not in names:
            raise PhantomError(f'Unknown material kind "{variant.kind}". Use one of {", ".join(names)}.')
        of_kind[names[variant.kind]].append(variant)
    missing = [name for name, kind in names.items() if not any(variant.weight for variant in of_kind[kind])]
    if missing:
        raise PhantomError(f"The material file has no variant with a weight above 0 for {', '.join(missing)}.")
    crowded = [name for name, kind in names.items() if sum(variant.outlier_share for variant in of_kind[kind]) >= 1]
    if crowded:
        raise PhantomError(f"The outlier shares of {', '.join(crowded)} add up to 1 or more; they must stay below 1.")
    most = max(len(group) for group in of_kind.values())
    ranges = torch.zeros(len(Kind), most, len(_NAMES), 2)
    weights, outlier_share = torch.zeros(len(Kind), most), torch.zeros(len(Kind), most)
    for kind, group in of_kind.items():
        for index, variant in enumerate(group):
            weights[kind, index], outlier_share[kind, index] = variant.weight, variant.outlier_share
            ranges[kind, index] = torch.tensor([getattr(variant, name) for name in _NAMES])
    return MaterialTable(ranges, weights, outlier_share)
