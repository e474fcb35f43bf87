"""Who may do what, and what never gets in: hosts, origins, tokens, sizes, paths."""

from __future__ import annotations

import contextlib
import functools
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labref.config.lab import parse_lab
from labref.model.errors import InputError, LabFileError
from labref.plugins import load_plugins
from labref.testing.labs import comb_lab
from labref_web.table import Terms, is_loopback, parse_at, terms_of

READ, ACT = "read-token-of-the-test", "act-token-of-the-test"
STATE = "/api/v1/state"
READING = {"channel": "field", "start_ns": 1, "stop_ns": 2, "offset_hz": 0.0}
BOTH = Terms("192.0.2.7", 8729, frozenset({"lab-pc.example"}), READ, ACT)
ACTING = Terms("127.0.0.1", 8729, frozenset(), "", ACT, True)
REMOTE = Terms("192.0.2.7", 8729, frozenset(), READ, ACT, True)


@pytest.mark.parametrize(
    "path",
    [STATE, "/api/v1/stream", "/metrics", "/api/v1/trace", "/api/v1/trace/x.h5", "/api/v1/shots"],
)
def test_reading_needs_a_token_where_one_is_set(make_web: Callable[..., Any], path: str) -> None:
    web = make_web(BOTH)
    for token in ("", "wrong", READ[:-1], ACT + "x"):
        reply = web.ask(path, token=token)
        assert reply.status == 401
        assert reply.headers["www-authenticate"] == "Bearer"
    if path != "/api/v1/stream":
        assert web.ask(path, token=READ).status in (200, 404)
        assert web.ask(path, token=ACT).status in (200, 404)


@pytest.mark.parametrize("path", ["/", "/page/index.html", "/openapi.json"])
def test_what_holds_nothing_of_the_lab_needs_no_token(
    make_web: Callable[..., Any], path: str
) -> None:
    assert make_web(BOTH).ask(path).status == 200


def test_pushing_a_reading_needs_the_acting_token_where_tokens_are_set(
    make_web: Callable[..., Any],
) -> None:
    web = make_web(BOTH)
    assert web.post("/api/v1/readings", READING).status == 401
    assert web.post("/api/v1/readings", READING, token=READ).status == 401
    assert web.post("/api/v1/readings", READING, token=ACT).status == 200
    only_read = make_web(Terms("192.0.2.7", 8729, frozenset(), READ))
    assert only_read.post("/api/v1/readings", READING, token=READ).status == 403


def arming(web: Any, token: str) -> int:
    asked = web.post("/api/v1/act/ask", {"actuator": "relock", "by": "Ada"}, token=token)
    if asked.status != 200:
        return int(asked.status)
    assert asked.value["cautions"] == ["mind your eyes"]
    return int(web.post("/api/v1/act/arm", {"token": asked.value["token"]}, token=token).status)


def test_acting_is_off_unless_the_lab_file_switches_it_on(
    make_web: Callable[..., Any], wb: Any
) -> None:
    runner = wb.Runner(remote=True)
    for terms in (None, BOTH):
        web = make_web(terms, runner=runner)
        assert arming(web, ACT) == 403
        assert arming(web, "") == 403
    assert not runner.desk.armed


def test_reading_and_acting_are_separate(make_web: Callable[..., Any], wb: Any) -> None:
    runner = wb.Runner(remote=True)
    web = make_web(REMOTE, runner=runner)
    assert arming(web, "") == 401
    assert arming(web, READ) == 401
    assert not runner.desk.armed
    assert arming(web, ACT) == 200
    assert runner.desk.armed
    web.desk.tick()
    (one,) = web.ask(STATE, token=READ).value["actuators"]
    assert one["armed_by"] == "Ada"


def test_arming_from_afar_also_needs_the_lab_file_to_permit_it(
    make_web: Callable[..., Any], wb: Any
) -> None:
    """S5: the service always says that it is remote, on this computer too."""
    runner = wb.Runner(remote=False)
    web = make_web(ACTING, runner=runner)
    reply = web.post("/api/v1/act/ask", {"actuator": "relock", "by": "Ada"}, token=ACT)
    assert reply.status == 409
    assert "remote arming is off" in reply.value["error"]
    assert not runner.desk.armed


def test_an_arming_token_that_nobody_asked_for_is_refused(
    make_web: Callable[..., Any], wb: Any
) -> None:
    web = make_web(ACTING, runner=wb.Runner(remote=True))
    assert web.post("/api/v1/act/arm", {"token": "guessed"}, token=ACT).status == 409


def test_less_movement_needs_the_acting_token_but_not_acting(
    make_web: Callable[..., Any], wb: Any
) -> None:
    runner = wb.Runner(remote=False)
    runner.desk.armed = True
    web = make_web(BOTH, runner=runner)
    assert web.post("/api/v1/act/disarm", {"by": "Ada"}, token=READ).status == 401
    assert runner.desk.armed
    assert web.post("/api/v1/act/disarm", {"by": "Ada"}, token=ACT).status == 200
    assert not runner.desk.armed
    assert web.post("/api/v1/act/hands-on", {"by": "Ada", "seconds": 60}, token=ACT).status == 200
    web.desk.tick()
    assert web.ask(STATE, token=READ).value["hands_on"] == "hands-on by Ada"
    assert web.post("/api/v1/act/hands-off", {"by": "Ada"}, token=ACT).status == 200


def test_a_lab_without_actuators_refuses_in_words(make_web: Callable[..., Any]) -> None:
    web = make_web(ACTING)
    reply = web.post("/api/v1/act/disarm", {"by": "Ada"}, token=ACT)
    assert reply.status == 409
    assert "nothing to arm" in reply.value["error"]


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("127.0.0.1:8729", 200),
        ("localhost", 200),
        ("[::1]:8729", 200),
        ("192.0.2.7:8729", 200),
        ("LAB-PC.example.:8729", 200),
        ("rebound.example:8729", 421),
        ("localhost.rebound.example", 421),
        ("127.0.0.1.rebound.example", 421),
        ("", 421),
        ("127.0.0.1@rebound.example", 421),
    ],
)
def test_a_name_that_is_not_ours_is_refused(
    make_web: Callable[..., Any], host: str, status: int
) -> None:
    """DNS rebinding: the browser still sends the name that was pointed here."""
    web = make_web(BOTH)
    assert web.ask(STATE, token=READ, headers={"host": host}).status == status


@pytest.mark.parametrize(
    "sent",
    [
        {"origin": "http://elsewhere.example"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:1"},
        {"origin": "http://[broken"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
)
def test_writing_from_another_page_is_refused(web: Any, sent: dict[str, str]) -> None:
    assert web.post("/api/v1/readings", READING, headers=sent).status == 403
    own = {"origin": "http://127.0.0.1:8729", "sec-fetch-site": "same-origin"}
    assert web.post("/api/v1/readings", READING, headers=own).status == 200


@pytest.mark.parametrize("kind", ["", "text/plain", "application/x-www-form-urlencoded"])
def test_a_form_of_another_page_is_no_body(web: Any, kind: str) -> None:
    reply = web.post("/api/v1/readings", READING, headers={"content-type": kind})
    assert reply.status == 415


def test_bodies_are_bounded_also_where_the_length_lies(web: Any) -> None:
    long = b" " * 70_000
    assert web.post("/api/v1/readings", long).status == 413
    assert web.post("/api/v1/readings", long, headers={"content-length": "10"}).status == 413
    assert web.post("/api/v1/readings", b"{}", headers={"content-length": "x"}).status == 413
    assert web.post("/api/v1/readings", b"[" * 60_000).status == 400
    assert web.ask(f"{STATE}?{'x' * 5000}").status == 414


def test_every_answer_has_the_security_headers(web: Any) -> None:
    for path in ("/", STATE, "/nothing", "/metrics"):
        headers = web.ask(path).headers
        assert "default-src 'none'" in headers["content-security-policy"]
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["x-frame-options"] == "DENY"
        assert "access-control-allow-origin" not in headers
    refused = web.ask(STATE, headers={"host": "rebound.example"})
    assert refused.headers["x-content-type-options"] == "nosniff"


WAYS_OUT = [
    "../pyproject.toml",
    "..%2fpyproject.toml",
    "%2e%2e/%2e%2e/etc/passwd",
    "....//etc/passwd",
    "/etc/passwd",
    "%2fetc%2fpasswd",
    "..\\..\\secret",
    "vendor/../../service.py",
    "secret%00.h5",
    "secret.h5",
    ".writer.lock",
    "20261125T000000Z-009.h5",
    "%ff%fe",
]


@pytest.mark.parametrize("way", WAYS_OUT)
def test_no_path_leads_out(make_web: Callable[..., Any], tmp_path: Path, way: str) -> None:
    (tmp_path / "secret").write_text("classified")
    (tmp_path / "secret.h5").write_text("classified")
    web = make_web(out=tmp_path / "trace")
    (tmp_path / "trace" / "secret.h5").write_text("classified")
    # A link with a name that the trace's own list has leads nowhere either.
    (tmp_path / "trace" / "20261125T000000Z-009.h5").symlink_to(tmp_path / "secret")
    for before in ("/api/v1/trace/", "/page/"):
        reply = web.ask(before + way)
        assert reply.status in (404, 400)
        assert b"classified" not in reply.body


@functools.cache
def _page() -> Any:
    from labref_web.page_files import PageFiles

    return PageFiles()


@given(st.text(max_size=60))
def test_no_text_at_all_leads_out_of_the_page(text: str) -> None:
    from starlette.exceptions import HTTPException
    from starlette.requests import Request

    page = _page()
    scope = {"type": "http", "method": "GET", "headers": [], "path_params": {"file": text}}
    status, body = 404, b""
    with contextlib.suppress(HTTPException):
        response = page.response(Request(scope))
        status, body = response.status_code, bytes(response.body)
    assert (status, bool(body)) in ((404, False), (200, True))


@pytest.mark.parametrize(
    ("host", "loopback"),
    [
        *((host, True) for host in ("127.0.0.1", "127.8.8.8", "::1", "localhost")),
        *((host, False) for host in ("0.0.0.0", "::", "192.0.2.7", "lab-pc.example")),
    ],
)
def test_only_this_computers_own_address_needs_no_token(host: str, loopback: bool) -> None:
    assert is_loopback(host) is loopback
    lab = parse_lab(comb_lab())
    at = f"[{host}]:0" if ":" in host else f"{host}:0"
    if loopback:
        assert terms_of(lab, at).read_token == ""
    else:
        with pytest.raises(InputError, match="read_token_file"):
            terms_of(lab, at)


def lab_with(tmp_path: Path, table: str) -> Any:
    tables = load_plugins(["web"]).tables()
    return parse_lab(f"{comb_lab()}\n[web]\n{table}", str(tmp_path / "lab.toml"), tables)


def token_file(path: Path, text: str, mode: int = 0o600) -> None:
    path.write_text(text)
    path.chmod(mode)


def test_tokens_stand_in_files_beside_the_lab_file(tmp_path: Path) -> None:
    token_file(tmp_path / "read", READ + "\n")
    token_file(tmp_path / "act", ACT)
    table = 'at = "192.0.2.7:80"\nread_token_file = "read"\nact_token_file = "act"\nacting = true'
    terms = terms_of(lab_with(tmp_path, table), None)
    assert (terms.read_token, terms.act_token, terms.acting) == (READ, ACT, True)
    assert (terms.host, terms.port) == ("192.0.2.7", 80)


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ('at = "0.0.0.0:80"', "read_token_file"),
        ("acting = true", "act_token_file"),
        ('at = "nowhere"', "address and a port"),
        ('at = "127.0.0.1:99999"', "address and a port"),
        ("port = 80", "port"),
    ],
)
def test_a_table_that_would_open_too_much_is_an_error_of_the_lab_file(
    tmp_path: Path, table: str, said: str
) -> None:
    with pytest.raises(LabFileError, match=said):
        lab_with(tmp_path, table)


@pytest.mark.parametrize(
    ("text", "mode", "said"),
    [
        ("short", 0o600, "16 characters"),
        (READ, 0o644, "open to others"),
        ("two words of a token", 0o600, "one line"),
        (None, 0o600, "token file"),
    ],
)
def test_a_token_file_that_protects_nothing_is_refused(
    tmp_path: Path, text: str | None, mode: int, said: str
) -> None:
    if text is not None:
        token_file(tmp_path / "read", text, mode)
    lab = lab_with(tmp_path, 'read_token_file = "read"')
    with pytest.raises(InputError, match=said):
        terms_of(lab, None)


def test_one_token_for_both_is_refused(tmp_path: Path) -> None:
    token_file(tmp_path / "read", READ)
    lab = lab_with(tmp_path, 'read_token_file = "read"\nact_token_file = "read"')
    with pytest.raises(InputError, match="two different tokens"):
        terms_of(lab, None)


@given(st.text(max_size=40))
def test_any_text_is_an_address_or_an_error(text: str) -> None:
    try:
        host, port = parse_at(text)
    except InputError:
        return
    assert host
    assert 0 <= port <= 65_535
