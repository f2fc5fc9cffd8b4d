"""What is rejected: requests without login, of other sites, forged or replayed; guessed passwords and paths."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.people.users import PERMISSIONS, User
from pipeline.review.web.run_server import ServerOptions, allowed_hosts, opened_addresses
from pipeline.review.web.sessions import Sessions
from tests.pipeline.review.conftest import EXAM, Served, Visitor

PASSWORD = "a long enough word"


@pytest.fixture
def guarded(serve: Callable[..., Served]) -> Served:
    """A server that needs passwords, with one user of each permission."""
    served = serve(needs_login=True)
    for permission in PERMISSIONS:
        served.context.users.save(User(f"{permission.title()} Only", "nurse", permission), PASSWORD)
    return served


ADDRESSES = (
    "/",
    EXAM,
    f"{EXAM}/state",
    f"{EXAM}/updates",
    f"{EXAM}/eggs/1",
    f"{EXAM}/clips/0/frames/0",
    "/openapi.json",
)


@pytest.mark.parametrize("address", [*ADDRESSES, f"{EXAM}/sheet", f"{EXAM}/clips/0/outlines"])
def test_without_login_nothing_is_shown(served: Served, address: str) -> None:
    served.client.cookies.clear()
    assert served.client.get(address, follow_redirects=False).status_code == 401
    page = served.client.get(address, headers={"accept": "text/html"}, follow_redirects=False)
    asked = "" if address == "/" else f"?next={address}"
    assert (page.status_code, page.headers["location"]) == (303, f"/login{asked}")
    answer = served.client.post(f"{EXAM}/answers", json={})
    assert (answer.status_code, answer.json()) == (401, {"reason": "Please log in."})
    forged = served.client.get(address, headers={"cookie": "clutchlight=" + "x" * 43}, follow_redirects=False)
    assert forged.status_code == 401


def test_every_response_has_the_security_headers(vet: Visitor) -> None:
    for address in (*ADDRESSES, "/login", "/static/exam.js", "/static/base.css", "/nowhere", "/static/../app.py"):
        headers = vet.client.get(address).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["x-frame-options"] == "DENY"


def test_the_cookie_is_sent_to_our_own_pages_only(served: Served) -> None:
    served.context.users.add_name("Orla Finch", "vet")
    cookie = served.client.post("/login", json={"name": "Orla Finch"}).headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert "Domain" not in cookie


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"x-clutchlight-token": ""}, 403),
        ({"x-clutchlight-token": "guessed"}, 403),
        ({"origin": "http://elsewhere.example"}, 403),
        ({"origin": "null"}, 403),
        ({"sec-fetch-site": "cross-site"}, 403),
        ({"host": "elsewhere.example"}, 400),
        ({"content-type": "text/plain"}, 415),
        ({"content-type": "application/x-www-form-urlencoded"}, 415),
        ({"content-length": "900000"}, 413),
    ],
)
def test_forged_requests_store_nothing(vet: Visitor, headers: dict[str, str], status: int) -> None:
    state = vet.client.get(f"{EXAM}/state").json()
    content = {
        "request_id": "forged-1",
        "base_sequence": 0,
        "fingerprint": state["fingerprint"],
        "answer": {"kind": "comment", "text": "x"},
    }
    sent = {"x-clutchlight-token": vet.token, **headers}
    assert vet.client.post(f"{EXAM}/answers", json=content, headers=sent).status_code == status
    assert vet.client.get(f"{EXAM}/state").json()["head"] == 0
    for method in ("PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"):
        assert vet.client.request(method, f"{EXAM}/answers").status_code == 405


def test_another_user_s_token_is_rejected(served: Served, vet: Visitor) -> None:
    other = served.visitor(name="Ned Rush", role="nurse")
    mixed = Visitor(vet.client, other.token)
    assert mixed.submit({"kind": "comment", "text": "x"}, request_id="request-1").status_code == 403


def test_a_request_replayed_by_another_user_is_rejected(served: Served, vet: Visitor) -> None:
    vet.submit({"kind": "comment", "text": "mine"}, request_id="request-1")
    other = served.visitor(name="Ned Rush", role="nurse")
    assert other.submit({"kind": "comment", "text": "mine"}, request_id="request-1").status_code == 409
    assert vet.client.get(f"{EXAM}/state").json()["head"] == 1


def test_a_session_cannot_be_used_after_logout(vet: Visitor) -> None:
    cookie = dict(vet.client.cookies)
    vet.client.post("/logout", json={}, headers={"x-clutchlight-token": vet.token})
    vet.client.cookies.update(cookie)
    assert vet.client.get("/").status_code == 401


PATHS = (
    "/static/../app.py",
    "/static/..%2fapp.py",
    "/static/%2e%2e/%2e%2e/event_log.py",
    "/static/....//app.py",
    "/static//etc/passwd",
    "/exams/../../etc/passwd",
    "/exams/..%2f..%2fclutchlight.sqlite/x",
    "/exams/%2e%2e/reviews.sqlite",
    "/exams/AF-0412/..%2f..%2freviews.sqlite",
    "/exams/AF-0412/2026-05-14%00/state",
    "/reviews.sqlite",
    "/clutchlight.sqlite",
)


@pytest.mark.parametrize("path", PATHS)
def test_no_path_reads_a_file(vet: Visitor, path: str) -> None:
    response = vet.client.get(path)
    assert response.status_code in (404, 405), response.text[:200]
    for secret in (b"SQLite format", b"import annotations", b"root:"):
        assert secret not in response.content


@pytest.mark.parametrize(
    ("who", "statuses"),
    [("Look Only", (403, 403, 403)), ("Review Only", (200, 409, 200)), ("Sign Only", (200, 200, 409))],
)
def test_users_can_do_what_their_permission_allows(guarded: Served, who: str, statuses: tuple[int, ...]) -> None:
    visitor = guarded.visitor(name=who, password=PASSWORD)
    answers: tuple[dict[str, Any], ...] = (
        {"kind": "comment", "text": "x"},
        {"kind": "signed"},
        {"kind": "comment", "text": "y"},
    )
    given = [visitor.submit(answer, request_id=f"request-{n}").status_code for n, answer in enumerate(answers)]
    assert tuple(given) == statuses


def test_a_changed_permission_and_a_removal_take_effect_at_once(guarded: Served) -> None:
    visitor = guarded.visitor(name="Sign Only", password=PASSWORD)
    guarded.context.users.save(User("Sign Only", "nurse", "look"), PASSWORD)
    assert visitor.submit({"kind": "comment", "text": "x"}, request_id="request-1").status_code == 403
    guarded.context.users.remove("Sign Only")
    assert visitor.client.get("/").status_code == 401


def test_a_changed_password_ends_all_sessions(guarded: Served) -> None:
    changed, other = (guarded.visitor(name=name, password=PASSWORD) for name in ("Sign Only", "Look Only"))
    another = guarded.visitor(name="Sign Only", password=PASSWORD)
    guarded.context.users.save(User("Sign Only", "nurse", "sign"), "another long word")
    for visitor in (changed, another):
        assert visitor.client.get("/").status_code == 401
        assert visitor.client.post("/logout", json={}).status_code == 401
    assert other.client.get("/").status_code == 200
    assert guarded.visitor(name="Sign Only", password="another long word").client.get("/").status_code == 200
    guarded.context.users.save(User("Sign Only", "nurse", "sign"), PASSWORD)
    assert changed.client.get("/").status_code == 401  # ended for good


def test_only_hashes_of_passwords_are_stored(guarded: Served) -> None:
    with guarded.context.event_log.journal.reading() as reader:
        hashes = reader.passwords()
        entries = "".join(entry.body for entry in reader.entries("account"))
    assert len(hashes) == len(PERMISSIONS)
    for one in hashes.values():
        assert one.startswith("$argon2id$")
        assert PASSWORD not in one
    assert PASSWORD not in entries
    assert "argon2" not in entries
    with pytest.raises(ValueError, match="at least"):
        guarded.context.users.save(User("A", "nurse", "look"), "short")
    assert guarded.context.users.authenticate("Nobody", PASSWORD) is None


def test_sessions_expire() -> None:
    clock = [0.0]
    sessions = Sessions(now=lambda: clock[0])
    session = sessions.begin(User("Orla Finch", "vet", "sign"), "")
    assert sessions.find(session.token) is session
    clock[0] = 12 * 3600.0
    assert sessions.find(session.token) is None


def test_beyond_this_machine_no_name_can_be_added_and_none_is_shown(guarded: Served) -> None:
    assert guarded.client.post("/login/names", json={"name": "Eve", "role": "vet"}).status_code == 403
    assert "Sign Only" not in guarded.client.get("/login").text


def test_at_this_machine_only_names_of_the_list_are_accepted_and_roles_stay(served: Served, vet: Visitor) -> None:
    post = served.client.post
    assert post("/login", json={"name": "Eve"}).status_code == 401
    assert post("/login", json={"name": "Orla Finch", "role": "director"}).status_code == 422
    assert post("/login/names", json={"name": "Orla Finch", "role": "director"}).status_code == 422
    assert "Orla Finch, veterinarian" in served.client.get("/login").text
    served.context.users.remove("Orla Finch")
    assert vet.client.get("/").status_code == 401


def test_a_signature_has_name_and_role_of_the_account_and_says_that_it_logged_in(guarded: Served) -> None:
    visitor = guarded.visitor(name="Sign Only", password=PASSWORD)
    for claim in ({"name": "Ned Rush"}, {"role": "director"}, {"logged_in": True}):
        assert visitor.submit({"kind": "signed", **claim}, request_id="request-1").status_code == 422
    assert visitor.submit({"kind": "signed"}, request_id="request-1").status_code == 200
    page = visitor.client.get(f"{EXAM}/sheet").text
    assert "Signed by <b>Sign Only</b>, nurse" in page
    assert "Logged in with a password." in page


def test_a_visitor_under_an_unknown_name_is_told_which_option_helps(served: Served) -> None:
    headers = {"host": "scanner.lan:8017", "accept": "text/html"}
    page = served.client.get("/", headers=headers)
    assert (page.status_code, page.headers["content-type"]) == (400, "text/html; charset=utf-8")
    assert "--hostname scanner.lan" in page.text
    assert served.client.get("/static/base.css", headers=headers).status_code == 200
    hostile = served.client.get("/", headers={**headers, "host": "<b>x</b>"})
    assert "--hostname NAME" in hostile.text
    assert "<b>x" not in hostile.text


def test_every_address_that_is_printed_can_be_opened() -> None:
    options = ServerOptions("0.0.0.0", 8017, (), (), Path("certificate.pem"), Path("key.pem"), needs_login=True)
    addresses = opened_addresses(options, 8017)
    assert "https://127.0.0.1:8017/" in addresses
    assert not any("0.0.0.0" in address for address in addresses)
    hosts = {address.removeprefix("https://").removesuffix("/") for address in addresses}
    assert hosts <= allowed_hosts(options, 8017)
