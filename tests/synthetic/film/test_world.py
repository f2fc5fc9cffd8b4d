from __future__ import annotations

import numpy as np
import pytest

from synthetic.errors import PhantomError
from synthetic.film.world import PLAIN_WORLD, draw_world


def test_every_choice_is_a_toss_up() -> None:
    drawn = [draw_world(np.random.default_rng(seed), {}).document() for seed in range(300)]
    for part, name in PLAIN_WORLD.document().items():
        assert 110 < sum(world[part] == name for world in drawn) < 190, part


def test_a_fixed_part_leaves_the_other_parts_and_later_draws_as_they_were() -> None:
    for seed in range(20):
        one, other = np.random.default_rng(seed), np.random.default_rng(seed)
        free, fixed = draw_world(one, {}).document(), draw_world(other, {"screen": "panel"}).document()
        assert fixed == free | {"screen": "panel"}
        assert one.random() == other.random()


@pytest.mark.parametrize(
    ("fixed", "message"),
    [({"weather": "rain"}, "no part 'weather'.*hand, physics, screen"), ({"hand": "steady"}, "sweeping or fanning")],
)
def test_unknown_parts_and_choices_are_refused(fixed: dict[str, str], message: str) -> None:
    with pytest.raises(PhantomError, match=message):
        draw_world(np.random.default_rng(1), fixed)
