"""Who may see the pages of a logbook, and by which name the server may be called.

On the loopback interface whoever is on the computer may. On any other a request needs a token, which a link brings and
a cookie keeps, or comes from a proxy whose address is known and which says in a header whom it has signed in. `Host`
must be a name of this server, so that a page of somebody else's reaches nothing through a name of its own that leads
here (RFC 9110, 7.2 †). Nothing is answered but GET and HEAD.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import socket
from collections.abc import Sequence
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qsl, quote, urlencode

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from wavewright.errors import Misuse

TOKEN = "token"  # the word in the address of the first visit
METHODS = ("GET", "HEAD")
HTTP = 80  # the port of an address that states none (RFC 9110, 4.2.1 †)
LIFE = 90 * 24 * 3600  # s that a browser keeps the cookie
LOOPBACK_NAMES = ("localhost", "127.0.0.1", "[::1]")
HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cache-Control": "private, no-cache",
}
Network = ipaddress.IPv4Network | ipaddress.IPv6Network


@dataclass(frozen=True, slots=True)
class Admission:
    """Who may come in.

    Parameters
    ----------
    port : that the server listens on; names : that it may be called by, beside the address a request came to.
    token : that a visitor needs; empty where none is needed.
    header, proxies : where a proxy signs people in, the header that names them and the networks it calls from.
    """

    port: int
    names: tuple[str, ...] = LOOPBACK_NAMES
    token: str = field(default="", repr=False)
    header: str = ""
    proxies: tuple[Network, ...] = ()

    @property
    def cookie(self) -> str:
        """Name of the cookie: browsers send the cookies of one host to all of its ports."""
        return f"wavewright_{self.port}"

    @property
    def pass_word(self) -> str:
        """What the cookie holds: it follows from the token, which does not follow from it."""
        return hmac.new(self.token.encode(), b"wavewright pages", hashlib.sha256).hexdigest()

    def knows_host(self, host: str, server: tuple[str, int] | None) -> bool:
        """Whether a request was meant for this server.

        Parameters
        ----------
        server : address and port that it came to; a number cannot be made to lead elsewhere, as a name can.
        """
        name, port = _split_host(host.lower())
        if name in self.names:
            return port in (None, self.port) or bool(self.proxies)
        return server is not None and (port or HTTP) == self.port and name.strip("[]") == server[0].lower()

    def admits(self, headers: Headers, client: tuple[str, int] | None) -> bool:
        """Whether whoever sends these headers from that address may come in."""
        if self.header:
            named = [value for value in headers.getlist(self.header) if value.strip()]
            return len(named) == 1 and client is not None and self._is_proxy(client[0])
        return not self.token or any(
            hmac.compare_digest(value.encode(), self.pass_word.encode())
            for value in _cookies(headers.getlist("cookie"), self.cookie)
        )

    def is_token(self, word: str) -> bool:
        """Whether it is the token; takes as long for one that begins rightly as for any other."""
        return bool(self.token) and hmac.compare_digest(word.encode(), self.token.encode())

    def _is_proxy(self, address: str) -> bool:
        try:
            known = ipaddress.ip_address(address.partition("%")[0])
        except ValueError:
            return False
        mapped = getattr(known, "ipv4_mapped", None) or known
        return any(mapped in network for network in self.proxies)


def read_networks(words: Sequence[str]) -> tuple[Network, ...]:
    """Addresses or networks, `192.0.2.7` or `192.0.2.0/24`.

    Raises
    ------
    Misuse : one that is neither.
    """
    found = []
    for word in words:
        try:
            found.append(ipaddress.ip_network(word))
        except ValueError as fault:
            raise Misuse(f"`--proxy {word}`: {fault}", expected="an address or a network, 192.0.2.0/24") from fault
    return tuple(found)


def names_of_this_computer() -> tuple[str, ...]:
    """The names that others in its network call this computer by."""
    own = socket.gethostname().lower()
    whole = socket.getfqdn().lower()
    return tuple(dict.fromkeys([*LOOPBACK_NAMES, own, whole]))


class Guarded:
    """An application that only those reach who are admitted; every answer has the headers of `HEADERS`."""

    def __init__(self, app: ASGIApp, admission: Admission) -> None:
        self._app, self._admission = app, admission

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request (ASGI 3.0)."""
        if scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 4403})
            return
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        refused = self._refusal(scope)
        await (self._app if refused is None else refused)(scope, receive, with_headers)

    def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        if len(hosts) != 1 or not self._admission.knows_host(hosts[0], scope.get("server")):
            return PlainTextResponse("this server is not called so; name it with `--name`\n", 421)
        if scope["method"] not in METHODS:
            return PlainTextResponse("nothing can be changed here\n", 405, headers={"Allow": ", ".join(METHODS)})
        brought = self._brought_token(scope)
        if brought is not None:
            return brought
        if not self._admission.admits(headers, scope.get("client")):
            how = "sign in at the proxy" if self._admission.header else f"open the link with `?{TOKEN}=…` once"
            return PlainTextResponse(f"not signed in: {how}\n", 403 if self._admission.header else 401)
        return None

    def _brought_token(self, scope: Scope) -> Response | None:
        """The answer to a link with a token: a cookie, and the same address without the token."""
        if not self._admission.token:
            return None
        try:
            pairs = parse_qsl(scope["query_string"].decode("latin-1"), keep_blank_values=True, max_num_fields=60)
        except ValueError:
            return None
        tokens = [text for word, text in pairs if word == TOKEN]
        if not tokens:
            return None
        if len(tokens) > 1 or not self._admission.is_token(tokens[0]):
            return PlainTextResponse("this link is not, or no longer, valid: ask for the address of today\n", 401)
        rest = urlencode([pair for pair in pairs if pair[0] != TOKEN], quote_via=quote)
        page = quote(scope["path"].rpartition("/")[2], safe="")  # beside this one, whatever stood before it
        answer = RedirectResponse(f"./{page}" + (f"?{rest}" if rest else ""), 303)
        answer.set_cookie(
            self._admission.cookie, self._admission.pass_word, max_age=LIFE, httponly=True, samesite="lax",
            secure=scope.get("scheme") == "https",
        )  # fmt: skip
        answer.headers["Cache-Control"] = "no-store"
        return answer


def _split_host(host: str) -> tuple[str, int | None]:
    """Name and port of a `Host` header; a port that is not a number is −1."""
    bare, colon, port = host.rpartition(":")
    if not colon or host.endswith("]"):
        return host, None
    return bare, int(port) if port.isascii() and port.isdigit() and len(port) < 6 else -1


def _cookies(headers: Sequence[str], name: str) -> list[str]:
    """The values of a cookie; browsers may send several of one name, for several paths."""
    found = []
    for header in headers:
        for part in header.split(";"):
            try:
                jar = SimpleCookie(part.strip())
            except CookieError:
                continue
            if name in jar:
                found.append(jar[name].value)
    return found
