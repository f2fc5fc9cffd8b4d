"""The exam as a DICOM Structured Report, for recordings that are DICOM files, so that an image archive can store it.

There is one document for each study of the recordings. It follows TID 1500 "Measurement Report" (PS3.16): the counts
are one group of measurements, and every sighting of an egg is another group, with its outline as an ellipse in the
frame that shows it best, its stage and, in the first sighting, its size. Segmentation objects are not used: they are
not available here for multi-frame ultrasound. The document belongs to the patient and the study that its
recordings name, so it repeats their data. Concepts without a standard code use a private scheme, ``99CLUTCHLIGHT``.

Coordinates are those of the stored frame. They are half a pixel larger than ours in both directions, because DICOM
counts from the corner of the first pixel. The same exam gives the same bytes: the date is the exam's, and identifiers
are hashes instead of random numbers.
"""

from __future__ import annotations

import hashlib
import io
import warnings
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from models.ellipse import canonical
from pipeline.estimate.results import Count, EggFinding, ExamFinding, Sighting
from pipeline.exams.exam import Exam
from pipeline.report.export.result import ModelIdentity
from pipeline.report.sightings import sorted_sightings
from pipeline.scan.clip_scan import ClipScan

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

__all__ = ["ellipse_in_stored_pixels", "structured_reports"]

CODING_SCHEME = "99CLUTCHLIGHT"
MANUFACTURER = "Clutchlight"


def structured_reports(
    exam: Exam,
    finding: ExamFinding,
    scans: Sequence[ClipScan],
    headers: Mapping[str, Dataset],
    model: ModelIdentity,
) -> list[bytes]:
    """The documents as DICOM files, by study.

    headers : without pixels, by file name, of the recordings that are DICOM files and identify themselves
    (`pipeline.report.export.dicom_sources`). Without any header there is no document
    """
    studies: dict[str, list[ClipScan]] = defaultdict(list)
    for scan in scans:
        if scan.status == "done" and scan.file in headers:
            studies[str(headers[scan.file].StudyInstanceUID)].append(scan)
    return [
        _document(exam, finding, study, [headers[scan.file] for scan in studies[study]], studies[study], model)
        for study in sorted(studies)
    ]


def ellipse_in_stored_pixels(ellipse: Sequence[float], stretch: float) -> NDArray[np.float64]:
    """(5,) an outline in the picture with square pixels, converted to the stored picture.

    The outline is the unit circle under a linear map, and its semi-axes are the map's singular values.

    stretch : columns of the stored picture over columns of the picture with square pixels
    """
    cx, cy, major, minor, degrees = ellipse
    angle = np.deg2rad(degrees)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    directions, axes, _ = np.linalg.svd(np.diag([stretch, 1.0]) @ turn @ np.diag([major, minor]))
    turned = np.rad2deg(np.arctan2(directions[1, 0], directions[0, 0]))
    return np.asarray(canonical([(cx + 0.5) * stretch - 0.5, cy, *axes, turned])[0])


def _document(
    exam: Exam,
    finding: ExamFinding,
    study: str,
    sources: Sequence[Dataset],
    scans: Sequence[ClipScan],
    model: ModelIdentity,
) -> bytes:
    from highdicom import sr
    from pydicom.sr.codedict import codes

    seed = f"{exam.animal}|{exam.date}|{study}|{model.sha256}|{finding!r}"
    headers = {scan.file: source for scan, source in zip(scans, sources, strict=True)}
    by_file = {scan.file: scan for scan in scans}
    device = sr.ObserverContext(
        observer_type=codes.DCM.Device,
        observer_identifying_attributes=sr.DeviceObserverIdentifyingAttributes(
            uid=_uid(f"network|{model.sha256}"),
            name=MANUFACTURER,
            manufacturer_name=MANUFACTURER,
            model_name=model.name[:64],
        ),
    )
    groups = [_counts(finding, seed)]
    for egg in sorted(finding.eggs, key=lambda egg: egg.identity):
        seen = [sighting for sighting in sorted_sightings(egg) if _is_shown(sighting, by_file)]
        for number, sighting in enumerate(seen):
            scan = by_file[sighting.clip]
            groups.append(_sighting(egg, sighting, scan, headers[scan.file], seed, with_size=number == 0))
    report = sr.MeasurementReport(
        observation_context=sr.ObservationContext(observer_device_context=device),
        procedure_reported=codes.SCT.DiagnosticUltrasonography,
        imaging_measurements=groups,
        title=codes.DCM.ImagingMeasurementReport,
        referenced_images=list(sources),
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # about invalid values in the scanner's header, which are passed on as they are
        document = sr.ComprehensiveSR(
            evidence=list(sources),
            content=report,
            series_instance_uid=_uid(f"series|{seed}"),
            series_number=1,
            sop_instance_uid=_uid(f"instance|{seed}"),
            instance_number=1,
            manufacturer=MANUFACTURER,
            is_complete=True,
        )
    return _file(document, exam)


def _counts(finding: ExamFinding, seed: str) -> Any:
    from highdicom import sr

    return sr.MeasurementsAndQualitativeEvaluations(
        tracking_identifier=sr.TrackingIdentifier(uid=_uid(f"clutch|{seed}"), identifier="clutch"),
        finding_type=_code("clutch", "Eggs and follicles seen in the exam"),
        measurements=[
            *_count("shelled", "shelled eggs", finding.shelled),
            *_count("follicles", "follicles", finding.follicles),
        ],
        qualitative_evaluations=[
            sr.QualitativeEvaluation(_code("stage-overall", "Stage of the clutch"), _stage(finding.stage))
        ],
    )


def _count(name: str, noun: str, count: Count) -> Iterator[Any]:
    low, high = count.interval90
    for key, meaning, value in (
        ("n", f"Number of {noun}, estimate", count.estimate),
        ("min", f"Number of {noun}, at least", count.at_least),
        ("low", f"Number of {noun}, lower end of the 90 % range", low),
        ("high", f"Number of {noun}, upper end of the 90 % range", high),
    ):
        yield _measurement(_code(f"{name}-{key}", meaning), value, "1", "no units")


def _sighting(
    egg: EggFinding, sighting: Sighting, scan: ClipScan, header: Dataset, seed: str, *, with_size: bool
) -> Any:
    from highdicom import sr

    picture = scan.pictures[sighting.track]
    is_multi_frame = int(header.get("NumberOfFrames") or 1) > 1
    source = sr.SourceImageForRegion(
        header.SOPClassUID, header.SOPInstanceUID, [picture.frame + 1] if is_multi_frame else None
    )
    ellipse = ellipse_in_stored_pixels(picture.ellipse, int(header.Columns) / scan.width)
    return sr.PlanarROIMeasurementsAndQualitativeEvaluations(
        tracking_identifier=sr.TrackingIdentifier(
            uid=_uid(f"egg|{egg.identity}|{seed}"), identifier=f"number {egg.identity}"
        ),
        referenced_region=sr.ImageRegion("ELLIPSE", _ends(ellipse), source),
        finding_type=_code("egg", "Egg") if egg.stage != "follicle" else _code("follicle", "Ovarian follicle"),
        measurements=_measurements(egg) if with_size else None,
        qualitative_evaluations=[
            sr.QualitativeEvaluation(_code("stage", "Stage of the egg"), _stage(egg.stage)),
            sr.QualitativeEvaluation(
                _code("shape", "Shape of the egg"), _code(egg.shape.replace(" ", "-"), egg.shape.capitalize())
            ),
        ],
    )


def _measurements(egg: EggFinding) -> list[Any]:
    from highdicom import sr
    from pydicom.sr.codedict import codes

    measurements = [
        _measurement(_code("stage-chance", "Probability of the stage"), egg.stage_probability, "1", "no units"),
        _measurement(_code("chance", "Probability that it is there"), egg.confidence, "1", "no units"),
    ]
    for code, value, ends in (
        (codes.SCT.Length, egg.length_mm, egg.length_interval90_mm),
        (codes.SCT.Width, egg.width_mm, egg.width_interval90_mm),
        (codes.SCT.Depth, egg.depth_mm, None),
    ):
        if value is not None:
            uncertainty = None
            if ends is not None:
                uncertainty = sr.MeasurementProperties(
                    upper_measurement_uncertainty=round(max(ends[1] - value, 0.0), 1),
                    lower_measurement_uncertainty=round(max(value - ends[0], 0.0), 1),
                )
            measurements.append(_measurement(code, round(value, 1), "mm", "millimeter", uncertainty))
    return measurements


def _measurement(name: Any, value: float, unit: str, meaning: str, properties: Any = None) -> Any:
    from highdicom import sr

    return sr.Measurement(name, round(float(value), 3), sr.CodedConcept(unit, "UCUM", meaning), properties=properties)


def _ends(ellipse: NDArray[np.float64]) -> NDArray[np.float64]:
    """(4, 2) ends of the long axis, then of the short axis: column and row, from the corner of the first pixel."""
    cx, cy, major, minor, degrees = ellipse
    angle = np.deg2rad(degrees)
    along, across = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
    middle = np.array([cx + 0.5, cy + 0.5])
    ends = [middle - major * along, middle + major * along, middle - minor * across, middle + minor * across]
    return np.stack(ends).round(2)


def _is_shown(sighting: Sighting, scans: Mapping[str, ClipScan]) -> bool:
    return sighting.clip in scans and sighting.track in scans[sighting.clip].pictures


def _stage(stage: str) -> Any:
    return _code(stage.replace(" ", "-"), stage.capitalize())


def _code(value: str, meaning: str) -> Any:
    """value : at most 16 letters;  meaning : at most 64 letters (PS3.5, SH and LO)"""
    from highdicom.sr import CodedConcept

    return CodedConcept(value, CODING_SCHEME, meaning)


def _uid(text: str) -> str:
    """An identifier under the root for UUIDs (PS3.5 B.2), made from the hash of a text instead of a random number."""
    return f"2.25.{int(hashlib.sha256(text.encode('utf-8', 'backslashreplace')).hexdigest()[:32], 16)}"


def _file(document: Dataset, exam: Exam) -> bytes:
    """The document as a file. Its dates and times are those of the exam, not of the clock."""
    day = exam.date.strftime("%Y%m%d")
    for keyword in ("ContentDate", "InstanceCreationDate", "SeriesDate"):
        if keyword in document or keyword == "ContentDate":
            setattr(document, keyword, day)
    for keyword in ("ContentTime", "InstanceCreationTime", "SeriesTime"):
        if keyword in document or keyword == "ContentTime":
            setattr(document, keyword, "000000")
    for equipment in document.get("ContributingEquipmentSequence", ()):
        equipment.ContributionDateTime = f"{day}000000"
    file = io.BytesIO()
    document.save_as(file, enforce_file_format=True)
    return file.getvalue()
