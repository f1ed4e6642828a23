"""Attempts to get in: by another name, without the token, past the proxy, with another method, out of the folder."""

from __future__ import annotations

import ipaddress
import time
from collections.abc import Iterator
from http.client import HTTPConnection
from pathlib import Path

import pytest
from starlette.datastructures import Headers
from starlette.testclient import TestClient
from starlette.websockets import WebSocketDisconnect

from tests.pages.line.conftest import FILES, HOSTILE, NOW, PORT, client_of
from wavewright.errors import Misuse
from wavewright.logbook.book import Logbook
from wavewright.logbook.columns.followed_logbook import FollowedLogbook
from wavewright.logbook.queries import Filter, entries
from wavewright.pages.line.admission import HEADERS, LOOPBACK_NAMES, Admission, read_networks
from wavewright.pages.line.line_app import line_app
from wavewright.pages.line.newest_runs import NewestRuns
from wavewright.pages.line.page_making import PageMaker
from wavewright.pages.page_server import listen, serving
from wavewright.pages.serve import SHORTEST, ServedAt, kept_token, serve_logbook

TOKEN = "kJ3-aVeryLongTokenOfTheLine"
OFFICE = Admission(PORT, (*LOOPBACK_NAMES, "line.example"), TOKEN)
ADDRESS = f"http://line.example:{PORT}"


@pytest.fixture(scope="module")
def office(line_book: Logbook) -> Iterator[TestClient]:
    with client_of(line_book, OFFICE, address=ADDRESS) as client:
        yield client


@pytest.fixture(autouse=True)
def nobody_is_signed_in(request: pytest.FixtureRequest) -> None:
    if "office" in request.fixturenames:
        request.getfixturevalue("office").cookies.clear()


@pytest.mark.parametrize(
    "host",
    [
        "rebound.example", f"rebound.example:{PORT}", "127.0.0.1:1", "", f"127.0.0.1.rebound.example:{PORT}",
        f"localhost:{PORT}@rebound.example", f"localhost:{PORT}, rebound.example", f"192.0.2.1:{PORT}", "127.0.0.1:",
        f"localhost:0{PORT}0", "localhost:\N{SUPERSCRIPT TWO}", f"[::1:{PORT}",
    ],
)  # fmt: skip
def test_a_server_that_is_called_by_another_name_shows_nothing(page: TestClient, host: str) -> None:
    answer = page.get("/day", headers={"host": host.encode()})
    assert answer.status_code == 421
    assert "VC204" not in answer.text


@pytest.mark.parametrize("host", [f"localhost:{PORT}", f"LOCALHOST:{PORT}", f"[::1]:{PORT}", f"127.0.0.1:{PORT}"])
def test_its_own_names_are_answered(page: TestClient, host: str) -> None:
    assert page.get("/day", headers={"host": host}).status_code == 200


def test_two_host_headers_are_none(page: TestClient) -> None:
    headers = [("host", f"127.0.0.1:{PORT}"), ("host", "rebound.example")]
    assert page.get("/day", headers=headers).status_code == 421


def test_the_number_that_a_request_came_to_is_a_name_too() -> None:
    # a name can be made to lead anywhere, a number cannot
    assert OFFICE.knows_host(f"192.0.2.7:{PORT}", ("192.0.2.7", PORT))
    assert not OFFICE.knows_host(f"192.0.2.8:{PORT}", ("192.0.2.7", PORT))
    assert Admission(80).knows_host("192.0.2.7", ("192.0.2.7", 80))


@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "CONNECT", "PROPFIND", "x"])
@pytest.mark.parametrize("path", ["/day", "/run?id=x", "/absent"])
def test_nothing_is_answered_but_get_and_head(page: TestClient, method: str, path: str) -> None:
    answer = page.request(method, path, content=b"verdict=pass")
    assert answer.status_code == 405
    assert answer.headers["allow"] == "GET, HEAD"


def test_the_headers_of_another_method_change_none(page: TestClient) -> None:
    answer = page.post("/day", headers={"X-HTTP-Method-Override": "GET", "X-HTTP-Method": "GET"})
    assert answer.status_code == 405


def test_head_is_get_without_a_body(page: TestClient) -> None:
    assert page.head("/day").content == b""
    assert page.head("/day").headers["etag"] == page.get("/day").headers["etag"]


@pytest.mark.parametrize("path", ["/day", "/run?id=absent", "/absent", "/", "/files-x/line.css", "/day?statoin=1"])
def test_every_answer_has_the_policy(page: TestClient, path: str) -> None:
    answer = page.get(path)
    assert {name: answer.headers[name] for name in HEADERS} == HEADERS
    assert "unsafe" not in answer.headers["content-security-policy"]


@pytest.mark.parametrize("path", ["/day", "/run?id=x", "/", "/files-x/following.js"])
@pytest.mark.parametrize(
    "cookie", ["", "wavewright_8204=", f"wavewright_8204={TOKEN}", f"wavewright_8205={OFFICE.pass_word}",
        "wavewright_8204=0; x=1",
               f"wavewright_8204={OFFICE.pass_word[:-1]}", f"other={OFFICE.pass_word}"],
)  # fmt: skip
def test_without_the_token_nothing_is_shown(office: TestClient, path: str, cookie: str) -> None:
    answer = office.get(path, headers={"cookie": cookie} if cookie else {})
    assert answer.status_code == 401
    assert "VC204" not in answer.text


@pytest.mark.parametrize(
    "query", [f"token={TOKEN[:-1]}", f"token={TOKEN}x", "token=", f"token=x&token={TOKEN}", f"TOKEN={TOKEN}"]
)
def test_another_token_is_refused(office: TestClient, query: str) -> None:
    answer = office.get(f"/day?{query}")
    assert answer.status_code == 401
    assert "set-cookie" not in answer.headers


def test_the_link_with_the_token_is_needed_once(office: TestClient) -> None:
    answer = office.get(f"/batch?batch-name=lot-7&token={TOKEN}&station=line_1")
    assert answer.status_code == 303
    assert answer.headers["location"] == "./batch?batch-name=lot-7&station=line_1"
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "samesite=lax" in cookie.lower()
    assert TOKEN not in cookie
    assert TOKEN not in answer.text
    assert office.get("/batch?batch-name=lot-7").status_code == 200


def test_a_link_leads_to_no_other_place(office: TestClient) -> None:
    # a path that a browser would take for another server, or for a script
    for path in ("//rebound.example/day", "/javascript:alert(1)", "/%2F%2Frebound.example"):
        answer = office.get(f"{ADDRESS}{path}?token={TOKEN}")
        assert answer.headers["location"].startswith("./")
        assert "//" not in answer.headers["location"]


def test_tokens_are_compared_in_constant_time(monkeypatch: pytest.MonkeyPatch) -> None:
    compared = []
    monkeypatch.setattr("hmac.compare_digest", lambda one, other: compared.append((one, other)) or one == other)
    assert OFFICE.is_token(TOKEN)
    assert OFFICE.admits(Headers({"cookie": f"{OFFICE.cookie}={OFFICE.pass_word}"}), None)
    assert len(compared) == 2


PROXY = Admission(PORT, ("line.example",), "", "x-signed-in", (ipaddress.ip_network("192.0.2.0/24"),))


@pytest.mark.parametrize(
    "headers, client, is_let_in",
    [
        ([("x-signed-in", "r.amsel")], "192.0.2.7", True),
        ([("X-Signed-In", "r.amsel")], "::ffff:192.0.2.7", True),
        ([("x-signed-in", "r.amsel")], "198.51.100.7", False),
        ([("x-signed-in", "r.amsel"), ("x-forwarded-for", "192.0.2.7")], "127.0.0.1", False),
        ([("x-signed-in", "")], "192.0.2.7", False),
        ([("x-signed-in", "r.amsel"), ("x-signed-in", "admin")], "192.0.2.7", False),
        ([], "192.0.2.7", False),
        ([("x-signed-in", "r.amsel")], "not an address", False),
    ],
)
def test_a_proxy_is_believed_from_its_own_address_alone(
    headers: list[tuple[str, str]], client: str, is_let_in: bool
) -> None:
    raw = [(name.lower().encode(), value.encode()) for name, value in headers]
    assert PROXY.admits(Headers(raw=raw), (client, 50000)) is is_let_in


@pytest.mark.parametrize(
    "path",
    ["/../pyproject.toml", "/%2e%2e/%2e%2e/etc/passwd", "/{files}/../line.html.j2", "/{files}/line.html.j2",
        "/{files}/%2e%2e%2fserve.py",
     "/{files}/..%5cserve.py", "/files-x/line.css",
        "/run/../../etc/passwd", "/{files}/absent.js", "/{files}//etc/passwd"],
)  # fmt: skip
def test_no_path_leads_out_of_the_files_of_the_page(page: TestClient, path: str) -> None:
    folder = page.get("/day").text.partition('href="files-')[2].partition("/")[0]
    answer = page.get(path.replace("{files}", f"files-{folder}"))
    assert answer.status_code == 404
    assert answer.text in ("nothing here\n", "Not Found")


@pytest.mark.parametrize("name", ["../../etc/passwd", "..", "last", "", "%", "2026", "a" * 299, "' or 1=1 --"])
def test_no_id_of_a_run_leads_anywhere_else(page: TestClient, name: str) -> None:
    answer = page.get("/run", params={"id": name})
    assert answer.status_code == 404
    assert "/etc" not in answer.text.replace("../../etc", "")


def test_a_web_socket_is_closed(page: TestClient) -> None:
    with pytest.raises(WebSocketDisconnect), page.websocket_connect("/day"):
        pass


def test_a_token_file_is_for_its_owner_alone_and_stays(tmp_path: Path) -> None:
    file = tmp_path / "token"
    token = kept_token(file)
    assert len(token) >= SHORTEST
    assert kept_token(file) == token
    assert file.stat().st_mode & 0o077 == 0


def test_a_token_that_can_be_guessed_is_refused(tmp_path: Path) -> None:
    (tmp_path / "token").write_text("secret")
    with pytest.raises(Misuse, match="too short"):
        kept_token(tmp_path / "token")


@pytest.mark.parametrize(
    "served, said",
    [
        (ServedAt(proxy_header="x-signed-in"), "go together"),
        (ServedAt(proxies=("192.0.2.7",)), "go together"),
        (ServedAt(proxy_header="x-signed-in", proxies=("192.0.2.7",), token_file=Path("t")), "together with"),
        (ServedAt(proxy_header="x-signed-in", proxies=("192.0.2.300",)), "--proxy"),
    ],
)
def test_options_that_would_let_anybody_in_are_refused(served: ServedAt, said: str, tmp_path: Path) -> None:
    with pytest.raises(Misuse, match=said):
        serve_logbook(str(tmp_path / "absent.sqlite"), served=served)


def test_a_network_is_read() -> None:
    assert ipaddress.ip_address("192.0.2.9") in read_networks(["192.0.2.0/24"])[0]


def test_a_header_of_another_proxy_does_not_change_where_a_request_is_from(line_book: Logbook) -> None:
    """Over a real socket: a server that believed `X-Forwarded-For` from this computer would take it for the proxy."""
    with listen(0) as listening:
        port = listening.getsockname()[1]
        admission = Admission(port, token="", header="x-signed-in", proxies=PROXY.proxies)
        followed = FollowedLogbook(line_book)
        maker = PageMaker(line_book, followed, FILES.addresses, clock=lambda: NOW)
        with serving(line_app(maker, NewestRuns(followed, time.monotonic), FILES, admission), listening):
            connection = HTTPConnection("127.0.0.1", port)
            for name in ("X-Forwarded-For", "Forwarded", "X-Real-IP"):
                value = "for=192.0.2.7" if name == "Forwarded" else "192.0.2.7"
                connection.request("GET", "/day", headers={"X-Signed-In": "r.amsel", name: value})
                answer = connection.getresponse()
                assert answer.status == 403
                assert b"VC204" not in answer.read()
            connection.close()


def test_no_text_of_a_run_becomes_markup_in_its_report(page: TestClient, line_book: Logbook) -> None:
    (hostile,) = entries(line_book, Filter(serial=HOSTILE))
    answer = page.get(f"/run?id={hostile.id}")
    assert answer.status_code == 200
    assert "<script>alert" not in answer.text
    assert "unsafe" not in answer.headers["content-security-policy"]
