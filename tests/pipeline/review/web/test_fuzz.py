"""Requests that the server's own OpenAPI description allows, and others: the server never fails."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from tests.pipeline.review.conftest import EXAM, HOST, Served, Visitor

schemathesis = pytest.importorskip("schemathesis", reason="schemathesis is not installed")


QUICK = settings(
    max_examples=12, deadline=None, phases=(Phase.explicit, Phase.generate), suppress_health_check=list(HealthCheck)
)


def test_no_described_request_fails(served: Served, vet: Visitor) -> None:
    headers = {
        "host": HOST,
        "cookie": f"clutchlight={vet.client.cookies['clutchlight']}",
        "x-clutchlight-token": vet.token,
    }
    schema = schemathesis.openapi.from_asgi("/openapi.json", served.client.app, headers=headers)
    statuses: dict[str, set[int]] = {}
    operations = [found.ok() for found in schema.get_all_operations()]
    for operation in sorted(operations, key=lambda one: one.label == "POST /login"):  # last: it ends the session

        @QUICK
        @given(case=operation.as_strategy())
        def ask(case: Any) -> None:
            if "animal" in (case.path_parameters or {}):  # so that the requests reach an exam
                case.path_parameters |= {"animal": "AF-0412", "date": "2026-05-14"}
            response = case.call(headers=headers)
            statuses.setdefault(case.operation.label, set()).add(response.status_code)
            assert response.status_code < 500, f"{case.operation.label}: {response.text[:300]}"

        if operation.label != "POST /logout":  # after it all others would be rejected
            ask()
    assert len(statuses) >= 10
    assert {200, 422} <= set.union(*statuses.values())
    assert statuses.pop("POST /login") <= {200, 401, 422}  # few names are in the list
    assert 401 not in set.union(*statuses.values())  # the session was valid throughout


json_values = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**70), 2**70) | st.floats() | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=9), inner, max_size=4),
    max_leaves=12,
)
KINDS = ("egg", "not-egg", "same", "two", "stage", "drawn", "unusable", "usable", "comment", "settled", "undo", "redo")
FIELDS = ("eggs", "egg", "apart", "stage", "clip", "frame", "first", "last", "ellipse", "text", "of")


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(kind=st.sampled_from(KINDS), fields=st.dictionaries(st.sampled_from(FIELDS), json_values))
def test_no_malformed_answer_fails(vet: Visitor, kind: str, fields: dict[str, Any]) -> None:
    content = {"request_id": "odd-request", "base_sequence": 0, "fingerprint": "f", "answer": {"kind": kind, **fields}}
    try:
        response = vet.client.post(f"{EXAM}/answers", json=content, headers={"x-clutchlight-token": vet.token})
    except ValueError:
        return  # values that JSON does not have cannot be sent
    assert response.status_code < 500


@pytest.mark.parametrize("body", [b"", b"{", b"[]", b"null", b'"x"', b"\xff\xfe", b"[" * 5000, b'{"answer": 1e999}'])
def test_no_malformed_body_fails(vet: Visitor, body: bytes) -> None:
    headers = {"x-clutchlight-token": vet.token, "content-type": "application/json"}
    for address in (f"{EXAM}/answers", "/login"):
        assert 400 <= vet.client.post(address, content=body, headers=headers).status_code < 500
