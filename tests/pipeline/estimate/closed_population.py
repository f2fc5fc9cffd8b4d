"""The textbook estimators of closed populations, as a reference for the model of missed eggs.

Krebs 1989, Ecological Methodology; Ricker 1975, Computation and interpretation of biological statistics of fish
populations; Seber 2002, The estimation of animal abundance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np


def petersen(marked: int, caught: int, again: int) -> float:
    return marked * caught / again


def chapman(marked: int, caught: int, again: int) -> float:
    return (marked + 1) * (caught + 1) / (again + 1) - 1


def chapman_deviation(marked: int, caught: int, again: int) -> float:
    above = (marked + 1) * (caught + 1) * (marked - again) * (caught - again)
    return float(np.sqrt(above / ((again + 1) ** 2 * (again + 2))))


@dataclass(frozen=True)
class CatchSeries:
    """A series of catches.

    caught : number;  again : of these, already marked;  kept : returned with a mark, old or new
    """

    caught: Sequence[int]
    again: Sequence[int]
    kept: Sequence[int]

    @property
    def at_large(self) -> np.ndarray:
        new = np.array(self.kept) - np.array(self.again)
        return np.concatenate([[0], np.cumsum(new)[:-1]])

    def schnabel(self) -> float:
        return float((np.array(self.caught) * self.at_large).sum() / sum(self.again))

    def schnabel_chapman(self) -> float:
        return float((np.array(self.caught) * self.at_large).sum() / (sum(self.again) + 1))

    def schumacher_eschmeyer(self) -> float:
        known = self.at_large
        return float((np.array(self.caught) * known**2).sum() / (np.array(self.again) * known).sum())
