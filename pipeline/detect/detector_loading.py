"""A detector that is ready to use: a weights file on an inference engine."""

from __future__ import annotations

from pathlib import Path

from models.runtime import make_engine
from models.weights_file import shipped_weights
from pipeline.detect.detector import Detector
from pipeline.settings import Settings
from pipeline.worker.library_threads import available_threads

__all__ = ["load_detector"]


def load_detector(settings: Settings, weights: Path | None = None, engine: str = "openvino") -> Detector:
    """Load a network on an inference engine.

    Parameters
    ----------
    settings
        ``settings.detect`` says which detections count, ``settings.run.threads`` on how many threads the engine runs;
        0 means as many as the environment variable ``OMP_NUM_THREADS`` says, else one for each core that this process
        may use.
    weights
        A weights file, the shipped one if None.
    engine
        "openvino", "torch" or "cuda".

    Returns
    -------
    Detector
        It finds eggs and follicles in frames; see `pipeline.scan_clip`.

    Raises
    ------
    WeightsError
        If the file is missing, damaged, or not a network of this program.
    EngineError
        If the engine cannot run on this machine.

    Examples
    --------
    >>> from pipeline import load_settings
    >>> detector = load_detector(load_settings())
    >>> detector.model.name
    'clutchlight'
    """
    threads = settings.run.threads or available_threads()
    made = make_engine(engine, weights or shipped_weights(), batch=settings.detect.batch_frames, threads=threads)
    return Detector(made, settings.detect)
