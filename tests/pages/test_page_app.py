"""Who may come in: the token, the name of the server, and where a page is from (RFC 6454, RFC 6455 section 10.2)."""

from __future__ import annotations

import pytest
from starlette.testclient import TestClient
from starlette.websockets import WebSocket, WebSocketDisconnect

from wavewright.errors import Misuse
from wavewright.pages.page_app import HEADERS, new_token, page_app, page_assets
from wavewright.pages.page_server import HOST, listen

PORT, TOKEN = 8765, "kJ3-token"
OURS = f"http://127.0.0.1:{PORT}"
HOST_HEADER = f"127.0.0.1:{PORT}"


async def greet(socket: WebSocket) -> None:
    await socket.send_text("welcome")


@pytest.fixture
def client() -> TestClient:
    return TestClient(page_app(TOKEN, PORT, page_assets("watch_page"), greet), base_url=OURS)


@pytest.mark.parametrize("name", ["", "chart.js", "chart.css", "index.html"])
def test_every_file_comes_with_the_policy(client: TestClient, name: str) -> None:
    answer = client.get(f"/{TOKEN}/{name}")
    assert answer.status_code == 200
    assert {name: answer.headers[name] for name in HEADERS} == HEADERS


@pytest.mark.parametrize(
    "path", ["/", "/other/", f"/{TOKEN}x/", f"/{TOKEN}/absent.js", f"/{TOKEN}/../pyproject.toml", f"/{TOKEN}/%2e%2e/x"]
)
def test_nothing_else_is_there(client: TestClient, path: str) -> None:
    assert client.get(path).status_code == 404


@pytest.mark.parametrize("host", ["rebound.example", f"rebound.example:{PORT}", "127.0.0.1", "127.0.0.1:1", ""])
def test_a_server_that_is_called_by_another_name_is_not_there(client: TestClient, host: str) -> None:
    assert client.get(f"/{TOKEN}/", headers={"host": host}).status_code == 404


@pytest.mark.parametrize("origin", [OURS, f"http://localhost:{PORT}"])
def test_our_own_page_is_talked_to(client: TestClient, origin: str) -> None:
    with client.websocket_connect(f"/{TOKEN}/live", headers={"origin": origin, "host": HOST_HEADER}) as socket:
        assert socket.receive_text() == "welcome"


@pytest.mark.parametrize(
    "path, origin, host",
    [
        (f"/{TOKEN}/live", "https://elsewhere.example", HOST_HEADER),
        (f"/{TOKEN}/live", f"https://127.0.0.1:{PORT}", HOST_HEADER),
        (f"/{TOKEN}/live", "http://127.0.0.1:1", HOST_HEADER),
        (f"/{TOKEN}/live", "null", HOST_HEADER),
        (f"/{TOKEN}/live", None, HOST_HEADER),
        (f"/{TOKEN}x/live", OURS, HOST_HEADER),
        (f"/{TOKEN}/live", OURS, "rebound.example"),
    ],
)
def test_nobody_else_is(client: TestClient, path: str, origin: str | None, host: str) -> None:
    headers = {"host": host, **({} if origin is None else {"origin": origin})}
    with pytest.raises(WebSocketDisconnect), client.websocket_connect(path, headers=headers):
        pass


def test_the_page_loads_nothing_from_elsewhere() -> None:
    assert "default-src 'none'" in HEADERS["Content-Security-Policy"]
    assert "unsafe" not in HEADERS["Content-Security-Policy"]


def test_tokens_are_drawn_anew_and_long() -> None:
    assert len({new_token() for _ in range(100)}) == 100
    assert len(new_token()) >= 22  # 128 bits in base 64


def test_a_port_that_is_taken_is_named() -> None:
    with listen(0) as first, pytest.raises(Misuse, match="is in use"):
        listen(first.getsockname()[1])


def test_it_listens_on_the_loopback_interface_alone() -> None:
    with listen(0) as listening:
        assert listening.getsockname()[0] == HOST == "127.0.0.1"
