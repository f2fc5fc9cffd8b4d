from __future__ import annotations

import re
import tomllib
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest
import torch
from torch import Tensor

from configs.reading import ConfigError, config_path
from synthetic.acoustics.materials import Materials, load_materials
from synthetic.acoustics.shells import Shell, shell_echo
from synthetic.anatomy.bodies import Kind
from synthetic.errors import PhantomError

NAMES = [field.name for field in fields(Materials)]
SHIPPED = config_path("materials.toml")


def written() -> list[dict[str, Any]]:
    variants: list[dict[str, Any]] = tomllib.loads(SHIPPED.read_text(encoding="utf-8"))["material"]
    return variants


def kind_name(kind: Kind) -> str:
    return kind.name.lower().replace("_", "-")


def draw(kinds: torch.Tensor, seed: int = 1, scatter: float = 0.3) -> Materials:
    return load_materials().draw(kinds, torch.Generator().manual_seed(seed), scatter=scatter)


@pytest.mark.parametrize("kind", list(Kind))
def test_every_draw_is_in_the_ranges_of_one_variant(kind: Kind) -> None:
    variants = [variant for variant in written() if variant["kind"] == kind_name(kind)]
    drawn = draw(torch.full((200, 3), int(kind)))
    own = torch.zeros(200, len(variants), 3, dtype=torch.bool)
    outlier_share = torch.zeros(200, 3, dtype=torch.bool)
    for index, variant in enumerate(variants):
        here = torch.ones(200, 3, dtype=torch.bool)
        for name in set(NAMES) & variant.keys():
            low, high = variant[name]
            value = getattr(drawn, name)
            here &= (value >= low - 1e-4) & (value <= high + 1e-4)
        own[:, index] = here
        outlier_share |= here & bool(variant.get("outlier_share"))
    # An animal takes one variant for all its objects of a kind, except for outliers.
    assert (own | outlier_share[:, None]).all(2).any(1).all()


def test_outliers_are_as_frequent_as_the_file_says() -> None:
    share = {name: 0.0 for name in map(kind_name, Kind)}
    for variant in written():
        share[variant["kind"]] += variant.get("outlier_share", 0.0)
    table = load_materials()
    assert table.outlier_share.sum(1).tolist() == pytest.approx(list(share.values()))
    assert share["calcified"] > 0
    drawn = draw(torch.full((400, 10), int(Kind.CALCIFIED)), scatter=0.0)
    # Without scatter only an outlier differs from the other eggs of its animal.
    strange = (drawn.rim_dropout_db - drawn.rim_dropout_db.median(1, keepdim=True).values).abs() > 0.5
    assert strange.float().mean().item() == pytest.approx(share["calcified"], abs=0.012)


def test_objects_of_one_animal_are_more_alike_than_those_of_others() -> None:
    drawn = draw(torch.full((300, 12), int(Kind.CALCIFIED)))
    for name in ("echo_db", "rim_db", "loss_db", "rim_floor", "attenuation"):
        value = getattr(drawn, name)
        within, between = value.var(1).mean(), value.mean(1).var()
        assert within < 0.25 * between, f"{name}: {within:.3f} within, {between:.3f} between"
        assert within > 0, f"{name}: eggs of one animal are copies"


def test_scatter_sets_how_far_single_objects_vary() -> None:
    kinds = torch.full((200, 12), int(Kind.BLADDER))
    none, some, much = (draw(kinds, scatter=scatter).border_blur_mm.var(1).mean() for scatter in (0.0, 0.3, 1.0))
    assert none == 0
    assert none < some < much


def test_draws_repeat_with_the_seed() -> None:
    kinds = torch.tensor([[int(kind) for kind in Kind]])
    one, same, other = draw(kinds, 4), draw(kinds, 4), draw(kinds, 5)
    assert all(torch.equal(getattr(one, name), getattr(same, name)) for name in NAMES)
    assert not torch.equal(one.rim_db, other.rim_db)


def test_take_keeps_the_properties_of_an_object_together() -> None:
    kinds = torch.tensor([[int(kind) for kind in Kind]] * 2)
    drawn = draw(kinds)
    index = torch.tensor([[10, 0], [3, 3]])
    taken = drawn.take(index)
    for name in NAMES:
        values = getattr(drawn, name)
        expected = torch.stack([values[0, [10, 0]], values[1, [3, 3]]])
        assert torch.equal(getattr(taken, name), expected), name


def test_rim_and_shadow_of_shells_follow_their_stage() -> None:
    """A thin shell is a line with almost no shadow. A calcified one is mostly brighter and always casts a shadow."""
    number = 4000
    generator = torch.Generator().manual_seed(2)
    frequency = 3.5 + 7 * torch.rand(number, 1, generator=generator)
    bandwidth = 0.3 + 0.6 * torch.rand(number, 1, generator=generator)

    def drawn(kind: Kind) -> tuple[Tensor, Tensor]:
        """Level of the rim and loss of one crossing, dB, of those eggs whose shell is a layer."""
        m = draw(torch.full((number, 1), int(kind)))
        echo = shell_echo(Shell(m.shell_mm, m.mineral, m.absorption), frequency_mhz=frequency, bandwidth=bandwidth)
        layered = m.shell_mm > 0
        assert 0.4 < layered.float().mean() < 0.8
        return (m.rim_db + echo.reflected_db)[layered], (m.loss_db + echo.loss_db)[layered]

    (thin_rim, thin_loss), (calcified_rim, calcified_loss) = drawn(Kind.THIN_SHELLED), drawn(Kind.CALCIFIED)
    assert 0.1 < thin_loss.min() < thin_loss.max() < 2.5
    assert 1.2 < calcified_loss.min() < 4 < 14 < calcified_loss.max() < 25
    # A calcified egg hardly ever loses less than a thin-shelled one.
    assert (calcified_loss < thin_loss.quantile(0.99)).float().mean() < 0.01
    assert thin_rim.mean() + 8 < calcified_rim.mean()
    # Judged by the rim alone, some could be either.
    assert thin_rim.quantile(0.95) > calcified_rim.quantile(0.1)
    follicle = draw(torch.full((400, 1), int(Kind.FOLLICLE)))
    assert follicle.loss_db.max() == 0
    assert follicle.shell_mm.max() == 0


def test_eggs_follow_the_published_phases() -> None:
    """Yolk echoic and most of the albumen clear; then less of it clear, with visible yolk; at last no visible yolk
    (Hayes & Kalb, Cuora amboinensis, SICB P3.87). Some of each stage break the rule, or a network would take the yolk
    for the stage.
    """
    thin = draw(torch.full((1000, 1), int(Kind.THIN_SHELLED)))
    has_yolk = thin.core_share >= 0.5
    assert 0.7 < has_yolk.float().mean() < 0.95
    assert (thin.core_db > thin.echo_db + 2)[has_yolk].float().mean() > 0.97
    clear = 1 - thin.core_share[has_yolk] ** 3  # share of the egg around the yolk
    assert 0.4 < (clear > 0.5).float().mean() < 0.95
    calcified = draw(torch.full((1000, 1), int(Kind.CALCIFIED)))
    assert 0.6 < (calcified.core_share == 0).float().mean() < 0.85


def changed(folder: Path, change: Callable[[str], str]) -> Path:
    before = SHIPPED.read_text(encoding="utf-8")
    path = folder / "materials.toml"
    path.write_text(change(before), encoding="utf-8")
    assert path.read_text(encoding="utf-8") != before
    return path


def without_uroliths(text: str) -> str:
    tables = text.split("[[material]]")
    return "[[material]]".join(table for table in tables if 'kind = "urolith"' not in table)


def test_a_kind_without_material_is_refused_by_name(tmp_path: Path) -> None:
    with pytest.raises(PhantomError, match=r"no variant with a weight above 0 for urolith\."):
        load_materials(changed(tmp_path, without_uroliths))


def test_variants_are_drawn_as_often_as_their_weights_say(tmp_path: Path) -> None:
    """Two sorts of uroliths with different echoes, in the ratio three to one."""
    dark = "echo_db = [-30, -20]\nrim_db = [0, 1]\nrim_mm = [1, 1]\nattenuation = [1, 1]\nunevenness = [0, 0]\n"
    dark = f'[[material]]\nkind = "urolith"\nweight = 3\n{dark}border_blur_mm = [1, 1]\n'
    bright = dark.replace("weight = 3", "weight = 1").replace("[-30, -20]", "[20, 30]")
    table = load_materials(changed(tmp_path, lambda text: without_uroliths(text) + dark + bright))
    drawn = table.draw(torch.full((2000, 2), int(Kind.UROLITH)), torch.Generator().manual_seed(3))
    assert (drawn.echo_db < 0).float().mean().item() == pytest.approx(0.75, abs=0.03)


def test_an_unknown_kind_is_refused_with_those_that_are_known(tmp_path: Path) -> None:
    path = changed(tmp_path, lambda text: text.replace('"urolith"', '"pearl"'))
    with pytest.raises(PhantomError, match=r'Unknown material kind "pearl".*organ, fluid.*thin-shelled, calcified'):
        load_materials(path)


def test_an_unknown_key_and_a_negative_thickness_are_refused_by_name(tmp_path: Path) -> None:
    path = changed(tmp_path, lambda text: text.replace("rim_mm = [0.8, 3.0]", "rim_mn = [0.8, 3.0]"))
    with pytest.raises(ConfigError, match=r"rim_mn': unknown key; did you mean 'rim_mm'"):
        load_materials(path)
    path = changed(tmp_path, lambda text: text.replace("rim_mm = [0.8, 3.0]", "rim_mm = [-0.8, 3.0]"))
    with pytest.raises(ConfigError, match="rim_mm"):
        load_materials(path)


@pytest.mark.parametrize(
    ("key", "wrong"), [("shell_mm", "[-0.01, 0.05]"), ("mineral", "[0.7, 1.2]"), ("speed", "[0.0, 1.5]")]
)
def test_an_impossible_shell_is_refused_by_name(tmp_path: Path, key: str, wrong: str) -> None:
    pattern = re.compile(rf"^{key} = .*$", re.MULTILINE)
    path = changed(tmp_path, lambda text: pattern.sub(f"{key} = {wrong}", text))
    with pytest.raises(ConfigError, match=key):
        load_materials(path)


def test_a_reversed_range_is_refused_by_name(tmp_path: Path) -> None:
    file = tmp_path / "materials.toml"
    file.write_text(SHIPPED.read_text(encoding="utf-8").replace("echo_db = [-8, 8]", "echo_db = [8, -8]"))
    with pytest.raises(ConfigError, match="echo_db must give the lower value first"):
        load_materials(file)
