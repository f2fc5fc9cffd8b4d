"""Where a training stands, kept in a file, so that a run that was stopped goes on."""

from __future__ import annotations

import pickle
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import torch

from models.errors import ClutchlightError

__all__ = ["Checkpoint", "CheckpointError"]


class CheckpointError(ClutchlightError):
    """A checkpoint that is damaged, or of a run with other settings."""


@dataclass(frozen=True)
class Checkpoint:
    """A file that holds the state of one run. run : what tells runs apart, for example their settings as JSON"""

    path: Path
    run: str

    def save(self, state: dict[str, Any]) -> None:
        """Under a temporary name first: a file of this name is whole."""
        part = self.path.with_name(f".{self.path.name}.part")
        torch.save({"run": self.run, "state": state}, part)
        part.replace(self.path)

    def load(self, device: torch.device) -> dict[str, Any] | None:
        """The state that was saved last, with its tensors on the device; None where there is none.

        Raises CheckpointError for a file that is damaged or of another run.
        """
        try:
            stored = torch.load(self.path, map_location=device, weights_only=True)
            run, state = stored["run"], dict(stored["state"])
        except FileNotFoundError:
            return None
        except (torch.OutOfMemoryError, torch.AcceleratorError):
            raise  # a full GPU says nothing about the file
        except (OSError, RuntimeError, ValueError, TypeError, KeyError, EOFError, pickle.UnpicklingError) as error:
            raise CheckpointError(
                f"The checkpoint {self.path} cannot be read; it is damaged, or no checkpoint ({type(error).__name__}). "
                "Remove it to begin the run anew."
            ) from error
        if run != self.run:
            raise CheckpointError(
                f"The checkpoint {self.path} is of a run with other settings. Continue with those, "
                "or remove it to begin anew, or choose another place for the network."
            )
        return state

    def remove(self) -> None:
        self.path.unlink(missing_ok=True)
