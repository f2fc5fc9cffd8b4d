from __future__ import annotations

import pytest
import torch
from torch import Tensor

from synthetic.acoustics.beam_rendering import Beams
from synthetic.acoustics.visibility import VISIBILITY
from synthetic.appearance.contact_gap import ContactGap, apply_contact_gap
from tests.synthetic.appearance_samples import draws, full_contact, generator

LINES, SAMPLES = 81, 200


def beams(batch: int = 1) -> Beams:
    return Beams(torch.zeros(batch, LINES, SAMPLES), torch.full((batch, LINES, SAMPLES), 1.5))


def gone(touched: Beams) -> Tensor:
    """(L,) bool, beams that show nothing of the lower half."""
    return touched.echo_db[0, :, SAMPLES // 2 :].amax(1) < -40


def test_full_contact_loses_nothing() -> None:
    whole = apply_contact_gap(beams(2), full_contact(2), generator())
    assert torch.equal(whole.echo_db, beams(2).echo_db)
    assert torch.equal(whole.loss_db, beams(2).loss_db)


def test_beams_in_the_gap_are_dark_and_the_others_unchanged() -> None:
    touched = apply_contact_gap(beams(), full_contact(gap=0.25, middle=0.5, soft=0.02), generator())
    across = torch.linspace(-1, 1, LINES)
    inside, outside = (across - 0.5).abs() < 0.2, (across - 0.5).abs() > 0.3
    assert gone(touched)[inside].all()
    torch.testing.assert_close(touched.echo_db[0, outside], beams().echo_db[0, outside], atol=0.1, rtol=0)


def test_the_gap_counts_as_deep_shadow() -> None:
    touched = apply_contact_gap(beams(), full_contact(gap=0.25, soft=0.02), generator())
    hidden = touched.loss_db[0, :, 0] > VISIBILITY.deep_shadow_db
    assert torch.equal(hidden, gone(touched))
    assert hidden.float().mean().item() == pytest.approx(0.25, abs=0.03)


def test_bands_run_parallel_to_the_face_and_fade() -> None:
    touched = apply_contact_gap(beams(), full_contact(gap=0.3, pitch=0.05, fade_db=100.0), generator())
    profile = touched.echo_db[0, 34:47].mean(0)
    # cos^2 has two maxima a period: bands lie half a pitch apart, at 0.025 of the depth or 5 samples.
    level = profile[:100] - torch.linspace(0, -50, 100)
    spectrum = torch.fft.rfft(level - level.mean()).abs()
    assert int(spectrum.argmax()) == 20
    assert profile[:20].max() > -15
    assert profile[180:].max() < -80


def test_gaps_are_rare_and_leave_half_of_the_face() -> None:
    contact = ContactGap.draw(draws(3000))
    assert (contact.gap > 0).float().mean().item() == pytest.approx(0.09, abs=0.02)
    assert contact.gap.max() <= 0.5
    # They are more frequent at the ends of the face than in its middle.
    assert (contact.middle.abs() > 0.5).float().mean() > 0.6
