"""The state of a training run in a file, so that a stopped run can continue."""

from __future__ import annotations

import pickle
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import torch

from models.atomic_write import partial_file
from models.errors import ClutchlightError

__all__ = ["Checkpoint", "CheckpointError"]


class CheckpointError(ClutchlightError):
    """A checkpoint that is damaged, or of a run with other settings."""


@dataclass(frozen=True)
class Checkpoint:
    """A file that holds the state of one run. run : what identifies the run, for example its settings as JSON"""

    path: Path
    run: str

    def save(self, state: dict[str, Any]) -> None:
        with partial_file(self.path) as part:
            torch.save({"run": self.run, "state": state}, part)

    def load(self, device: torch.device) -> dict[str, Any] | None:
        """The state that was saved last, with its tensors on the device; None if there is no file.

        Raises CheckpointError if the file is damaged or belongs to another run.
        """
        try:
            stored = torch.load(self.path, map_location=device, weights_only=True)
            run, state = stored["run"], dict(stored["state"])
        except FileNotFoundError:
            return None
        except (torch.OutOfMemoryError, torch.AcceleratorError):
            raise  # a full GPU does not mean that the file is damaged
        except (OSError, RuntimeError, ValueError, TypeError, KeyError, EOFError, pickle.UnpicklingError) as error:
            raise CheckpointError(
                f"The checkpoint {self.path} cannot be read: it is damaged or not a checkpoint "
                f"({type(error).__name__}). Remove it to start the run again from the beginning."
            ) from error
        if run != self.run:
            raise CheckpointError(
                f"The checkpoint {self.path} belongs to a run with other settings. Continue with those settings, "
                "remove the file to start again, or choose another output file for the network."
            )
        return state

    def remove(self) -> None:
        self.path.unlink(missing_ok=True)
