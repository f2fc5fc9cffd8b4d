"""The tree of errors. Every message says what was wrong, where, and what to do next.

ClutchlightError                 the root: anything this program says on purpose
├── WeightsError                 a weights file that is missing, damaged or of another network (models.network)
├── CheckpointError              a checkpoint that is damaged or of another run (models.checkpoint)
├── TrainingError                a training run that came to nothing (models.training)
├── EngineError                  an inference engine that cannot run here (models.runtime)
├── ConfigError                  a TOML file with a wrong key or value (configs.reading)
├── CalibrationError             a network without a calibration of its own (pipeline.calibration_file)
├── TooFewEggsError              too few eggs of a stage to learn from (pipeline.calibration.network_calibration)
├── PhantomError                 an impossible phantom, or no place to write it (synthetic.errors)
├── LabelsError                  labels that nothing can be learned from (synthetic.training.labelled_pictures)
├── ExamRootError                no folder to look for exams in (pipeline.exams.exam_search)
├── ClipError                    a recording that cannot be read or trusted (pipeline.ingest.frame)
├── StoreError                   a database that cannot be used (pipeline.store.schema)
├── OutputError                  a file of the output that cannot be written (pipeline.report.output_files)
├── LockedError                  another run works in the same output folder (pipeline.store.lock)
└── DataSetError                 a data set without readable truth (pipeline.bench.ground_truth)
"""

from __future__ import annotations

__all__ = ["ClutchlightError"]


class ClutchlightError(Exception):
    """A failure that a person can act on; ``str(error)`` is one or two plain sentences."""
