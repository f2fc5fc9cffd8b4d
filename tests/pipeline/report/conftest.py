"""The example exams as fixtures."""

from __future__ import annotations

import pytest

from tests.pipeline.report.example_exams import (
    ExampleExam,
    make_clutch,
    make_empty,
    make_follicles,
    make_refused,
    make_returning,
    make_uncertain,
    make_without_scale,
)


@pytest.fixture(scope="session")
def returning() -> ExampleExam:
    return make_returning()


@pytest.fixture(scope="session")
def clutch() -> ExampleExam:
    return make_clutch()


@pytest.fixture(scope="session")
def follicles() -> ExampleExam:
    return make_follicles()


@pytest.fixture(scope="session")
def empty() -> ExampleExam:
    return make_empty()


@pytest.fixture(scope="session")
def refused() -> ExampleExam:
    return make_refused()


@pytest.fixture(scope="session")
def without_scale() -> ExampleExam:
    return make_without_scale()


@pytest.fixture(scope="session")
def example_exams(
    clutch: ExampleExam, empty: ExampleExam, refused: ExampleExam, without_scale: ExampleExam
) -> tuple[ExampleExam, ...]:
    return clutch, empty, refused, without_scale


@pytest.fixture(scope="session")
def uncertain() -> ExampleExam:
    return make_uncertain()
