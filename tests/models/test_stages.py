from __future__ import annotations

from models.output_channels import CHANNELS
from models.stages import STAGES


def test_the_network_has_one_channel_for_each_stage() -> None:
    channels = CHANNELS["stage"]
    assert channels.stop - channels.start == len(STAGES)


def test_the_order_is_the_one_of_stored_probabilities() -> None:
    """Weights and result.json depend on it."""
    assert STAGES == ("follicle", "thin-shelled", "calcified")
