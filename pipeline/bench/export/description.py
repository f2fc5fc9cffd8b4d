"""What an exported data set is, in words and numbers: the base of its data card and of its Croissant metadata."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from models.stages import STAGES
from pipeline.bench.frozen.making import DEFINITION_NAME
from pipeline.bench.ground_truth import DataSet
from pipeline.formatting import plural

__all__ = ["LICENCE", "LICENCE_URL", "DataSetDescription", "describe_data_set"]

# Of simulated data sets: that of the program which makes them.
LICENCE, LICENCE_URL = "apache-2.0", "https://www.apache.org/licenses/LICENSE-2.0"

_LIMITS = (
    "Neighbouring frames of a clip are alike, and so are the clips of an animal: intervals must be taken over animals.",
    "Outlines are whole, also where a shadow hides them or the frame ends.",
    "An ignored object is mostly hidden or cut near its pole: it is neither right nor wrong to find it.",
)
_SIMULATED = "The animals are simulated, so no figure on them says how a method does on real ones."
_UNKNOWN = "The origin of the recordings is not stated in the data set."


@dataclass(frozen=True)
class DataSetDescription:
    """title, version : of a frozen benchmark, else the name of the folder and "0.0.0"
    animals, clips, frames : numbers;  outlines : by stage
    definition : of a frozen benchmark as in its file, else empty;  worlds : number of animals by "part: name"
    """

    name: str
    title: str
    version: str
    is_simulated: bool
    animals: int
    clips: int
    frames: int
    outlines: Mapping[str, int]
    definition: Mapping[str, Any]
    worlds: Mapping[str, int]

    @property
    def summary(self) -> str:
        """One paragraph."""
        outlines = ", ".join(f"{number:,} of {stage}" for stage, number in self.outlines.items())
        about = f"{self.definition['about']} " if self.definition else ""
        return (
            f"{about}Ultrasound clips of {plural(self.animals, 'animal')} ({plural(self.clips, 'clip')}, "
            f"{plural(self.frames, 'frame')}) with the true outlines of eggs and follicles: {outlines}. {self.origin}"
        )

    @property
    def origin(self) -> str:
        """Where the recordings are from, and what follows."""
        return _SIMULATED if self.is_simulated else _UNKNOWN

    @property
    def limits(self) -> tuple[str, ...]:
        """What whoever uses the data must know, a sentence each."""
        return _LIMITS


def describe_data_set(data_set: DataSet) -> DataSetDescription:
    """The description. That of a frozen benchmark is in the folder of its exams."""
    path = data_set.exams_root / DEFINITION_NAME
    definition = json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
    number = re.search(r"-(\d+)(?:-|$)", definition.get("name", ""))
    stages = Counter(data_set.objects.stage.tolist())
    worlds = [truth.world for truth in data_set.animals.values()]
    return DataSetDescription(
        name=definition.get("name", data_set.name),
        title=definition.get("title", data_set.name),
        version=f"{number[1]}.0.0" if number else "0.0.0",
        is_simulated=all(worlds),
        animals=len(data_set.animals),
        clips=len({(animal, clip) for animal, clip, _ in data_set.frames.ids}),
        frames=len(data_set.frames.ids),
        outlines={stage: stages[index] for index, stage in enumerate(STAGES)},
        definition=definition,
        worlds=dict(sorted(Counter(f"{part}: {name}" for world in worlds for part, name in world.items()).items())),
    )
