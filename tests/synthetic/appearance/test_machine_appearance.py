from __future__ import annotations

from dataclasses import fields, replace

import pytest
import torch
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.registration import phase_cross_correlation

from synthetic.appearance.machine_appearance import Appearance, draw_appearance, postprocess, to_grey
from tests.synthetic.appearance_samples import generator, lossless_compression, no_noise, speckled, unchanged_appearance


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 2**31 - 1))
def test_any_appearance_gives_grey_between_black_and_white(seed: int) -> None:
    dice = generator(seed)
    appearance = draw_appearance(6, dice)
    grey = to_grey(30 * torch.randn(6, 40, 48, generator=dice), appearance)
    picture = postprocess(speckled(6, 64, 112, seed=seed % 1000), appearance, dice, overlays=0.5)
    for result in (grey, picture):
        assert torch.isfinite(result).all()
        assert result.min() >= 0
        assert result.max() <= 1
    assert picture.shape == (6, 1, 64, 112)


def test_a_neutral_appearance_changes_nothing() -> None:
    picture = speckled()
    torch.testing.assert_close(postprocess(picture, unchanged_appearance(), generator()), picture)
    echo = torch.tensor([[[-30.0, -24.0, 0.0, 12.0, 36.0, 50.0]]])
    torch.testing.assert_close(to_grey(echo, unchanged_appearance()), torch.tensor([[[0.0, 0.0, 0.4, 0.6, 1.0, 1.0]]]))


def test_no_appearance_moves_what_a_picture_shows() -> None:
    """Labels say where objects are, so nothing may shift: neither on average over many appearances nor in any of them.

    Interlacing has a test of its own: its two half pictures are shifted against each other.
    """
    picture = speckled(1, 128, 128).expand(40, -1, -1, -1)
    appearance = draw_appearance(40, generator(3))
    appearance = replace(appearance, compression=replace(appearance.compression, comb_px=torch.zeros(40)))
    dressed = postprocess(picture, appearance, generator(4))
    echoes = 60 * (picture[:, 0] - 0.4)
    beams = to_grey(echoes, draw_appearance(40, generator(5)))[:, None]
    shifts = torch.tensor(
        [
            phase_cross_correlation(before[0].numpy(), after[0].numpy(), upsample_factor=20)[0].tolist()
            for result in (dressed, beams)
            for before, after in zip(picture, result, strict=True)
        ]
    )
    assert shifts.abs().amax() <= 0.5
    assert shifts.mean(0).abs().amax() < 0.06


def test_settings_vary_over_their_ranges_and_less_when_asked() -> None:
    wide, narrow = (draw_appearance(500, generator(), variation=variation).grey_map for variation in (1.0, 0.45))
    assert wide.dynamic_range_db.min() >= 38
    assert wide.dynamic_range_db.max() <= 85
    assert wide.dynamic_range_db.std() > 10
    assert (narrow.dynamic_range_db - 61.5).abs().max() <= 0.45 * 23.5 + 1e-3
    assert narrow.tissue_grey.std() < 0.6 * wide.tissue_grey.std()


def test_without_variation_settings_are_medium_and_faults_absent() -> None:
    appearance = draw_appearance(300, generator(), variation=0.0)
    torch.testing.assert_close(appearance.grey_map.dynamic_range_db, torch.full((300,), 61.5))
    torch.testing.assert_close(appearance.grey_map.gamma, torch.ones(300))
    # What only some machines do has its medium value or is absent.
    for values, share, middle in (
        (appearance.noise.grain, 0.4, 0.02),
        (appearance.compression.blocks, 0.6, 0.55),
        (appearance.grey_map.contrast, 0.5, 0.25),
    ):
        done = values != 0
        assert done.float().mean().item() == pytest.approx(share, abs=0.1)
        torch.testing.assert_close(values[done], torch.full_like(values[done], middle))
    for fault in (
        appearance.contact.gap,
        appearance.noise.salt,
        appearance.compression.comb_px,
        appearance.gain.near_db,
        appearance.edges.ringing,
    ):
        assert not fault.any()


def test_faults_are_rarer_in_proportion_to_the_variation() -> None:
    wide, narrow = (draw_appearance(4000, generator(), variation=variation) for variation in (1.0, 0.5))
    common, rare = ((appearance.gain.near_db > 0).float().mean().item() for appearance in (wide, narrow))
    assert common == pytest.approx(0.25, abs=0.03)
    assert rare == pytest.approx(0.125, abs=0.025)


def test_each_picture_of_a_batch_has_its_own_appearance() -> None:
    appearance = draw_appearance(6, generator(2))
    picture = speckled(6)
    quiet = replace(appearance, noise=no_noise(6))
    together = postprocess(picture, quiet, generator())
    for row in range(6):
        alone = postprocess(picture[row : row + 1], one_of(quiet, row), generator())
        torch.testing.assert_close(together[row : row + 1], alone, atol=1e-5, rtol=0)


def one_of(appearance: Appearance, row: int) -> Appearance:
    parts = {}
    for part in fields(appearance):
        own = getattr(appearance, part.name)
        parts[part.name] = type(own)(**{name: value[row : row + 1] for name, value in vars(own).items()})
    return Appearance(**parts)


def test_a_repeated_appearance_is_the_same_for_every_picture() -> None:
    picture = speckled().expand(3, -1, -1, -1)
    appearance = replace(draw_appearance(1, generator(8)), noise=no_noise())
    dressed = postprocess(picture, appearance.repeated(3), generator())
    assert (dressed[1:] == dressed[:1]).all()
    torch.testing.assert_close(dressed[:1], postprocess(picture[:1], appearance, generator()), atol=1e-5, rtol=0)


def test_a_picture_is_stored_after_its_noise_was_added() -> None:
    """A picture that is stored in few grey levels has no others, however noisy it was."""
    plain = unchanged_appearance()
    noisy = replace(plain, noise=no_noise(grain=0.05))
    assert len(postprocess(speckled(), noisy, generator()).unique()) > 1000
    stored = postprocess(speckled(), replace(noisy, compression=lossless_compression(levels=12.0)), generator())
    assert 5 <= len(stored.unique()) <= 12


def test_postprocessing_repeats_with_the_seed() -> None:
    appearance = replace(draw_appearance(3, generator(4)), noise=no_noise(3, grain=0.02))
    one, same, other = (postprocess(speckled(3, 64, 112), appearance, generator(s), overlays=0.5) for s in (1, 1, 2))
    assert torch.equal(one, same)
    assert not torch.equal(one, other)
