"""The tree of errors. Every message says what is wrong, where, and what to do next.

ClutchlightError                 the root: every error that the program reports on purpose
├── WeightsError                 a weights file that is missing, damaged or made for another network (models.network)
├── CheckpointError              a checkpoint that is damaged or belongs to another run (models.checkpoint)
├── TrainingError                a training run whose losses are no longer finite (models.training)
├── EngineError                  an inference engine that cannot run on this machine (models.engine)
├── ConfigError                  a TOML file with a wrong key or value (configs.reading)
├── CalibrationError             a network without a calibration of its own (pipeline.calibration_file)
├── TooFewEggsError              too few eggs of a stage to learn from (pipeline.calibration.network_calibration)
├── PhantomError                 an impossible phantom, or a folder that cannot be written (synthetic.errors)
├── LabelsError                  labels that a network cannot be trained on (synthetic.training.labelled_pictures)
├── LocationError                an address of recordings that cannot be used (pipeline.locations.location)
├── ExamRootError                no folder to look for exams in (pipeline.exams.exam_search)
├── RefusedExamError             an exam that cannot be processed (pipeline.exams.exam_folder)
├── ClipError                    a recording that cannot be read or trusted (pipeline.ingest.frame)
├── StoreError                   a database that cannot be used (pipeline.store.schema)
├── UploadError                  a file that cannot be copied to object storage (pipeline.night.upload)
├── OutputError                  a file of the output that cannot be written (pipeline.store.atomic_write)
├── WorkerError                  a worker process that ends before it is ready (pipeline.worker.worker)
├── LockedError                  another run uses the same output folder (pipeline.store.lock)
├── DataSetError                 a data set without readable ground truth (pipeline.bench.ground_truth)
├── ResultsError                 results of a method that cannot be read (pipeline.bench.results.method_results)
├── BenchmarkError               a folder that is not the frozen benchmark (pipeline.bench.frozen.contents_check)
├── ManifestError                a manifest of a bench that cannot be read (pipeline.bench_report.manifest)
└── MethodError                  a method that cannot be run (pipeline.bench.methods.method)
"""

from __future__ import annotations

__all__ = ["ClutchlightError"]


class ClutchlightError(Exception):
    """A failure that a person can act on; ``str(error)`` is one or two plain sentences."""
