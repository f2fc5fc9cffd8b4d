"""Why a person should look at an exam.

catalogue    every reason in one place: code, severity, what was seen, what a person might do
grounds      what they are decided on
of_scan      reasons in how she was scanned       of_count     in the numbers
of_eggs      in single eggs and her species       of_change    in what became of an earlier exam
raised       which of them an exam gives
"""

from __future__ import annotations

from pipeline.estimate.flags.catalogue import CATALOGUE, Reason
from pipeline.estimate.flags.evaluate import flags
from pipeline.estimate.flags.inputs import Grounds

__all__ = ["CATALOGUE", "Grounds", "Reason", "flags"]
