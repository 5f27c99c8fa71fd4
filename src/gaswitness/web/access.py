"""Who may do what on the board: one-time join tokens, sessions, roles, forgery and rate checks.

A join token opens one session and is then worth nothing. A session is an opaque cookie whose digest alone is kept;
it is bound to a role, to one run (none for the desk, which sees them all), and to the browser that joined.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import json
import logging
import secrets
import socket
import time
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Literal, get_args
from urllib.parse import parse_qs, urlsplit

from fastapi import Depends, HTTPException, Request

from gaswitness.history.files import write_whole

LOG = logging.getLogger("gaswitness.board")

Role = Literal["desk", "witness", "reader"]
COOKIE = "gaswitness"
JOIN_S = 15 * 60.0
"""How long a join token is good for, unless it is used before."""
SESSION_S = 12 * 3600.0
"""How long a session lasts: a working day."""
MAX_BODY = 128 * 1024
"""Twenty marks with long notes, and all the exchanges of clocks that go with them, take less."""
NAME_CHARS = 60
EARLIER_KEPT = 20


@dataclass(frozen=True, slots=True)
class Session:
    """Somebody who joined. `sid` names the session to people and opens nothing."""

    sid: str
    digest: str
    csrf: str
    role: Role
    run: str | None
    name: str
    post: str
    browser: str
    until: float
    earlier: tuple[tuple[str, str], ...] = ()
    """Runs and posts for which this phone had an access before: marks of that time may still be on it."""

    def stands_at(self, run: str, post: str) -> str | None:
        """The post that marks of a run are from: as sent where this session knows it, else its own; none: no access."""
        if (run, post) in self.earlier:
            return post
        return self.post or post if self.role == "desk" or run == self.run else None


@dataclass(frozen=True, slots=True)
class Invitation:
    """What a join token stands for."""

    role: Role
    run: str | None
    post: str
    until: float
    takes_over: str = ""
    """The session whose post is handed over; it ends when this one begins."""


class Refused(Exception):
    """A token or a session that opens nothing; `why` is a key of the catalogue."""

    def __init__(self, why: str) -> None:
        super().__init__(why)
        self.why = why


@dataclass
class Access:
    """Tokens and sessions of one board. Sessions outlive a restart where a file is given; join tokens do not."""

    file: Path | None = None
    secure: bool = False
    """Cookies only over TLS."""
    now: Callable[[], float] = time.time
    _open: dict[str, Invitation] = field(default_factory=dict)
    _sessions: dict[str, Session] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.file is not None and self.file.is_file():
            try:
                sessions = [_session(one) for one in json.loads(self.file.read_bytes())]
            except (ValueError, TypeError, AttributeError):
                LOG.warning("%s cannot be read: everybody has to join again", self.file.name)
                return
            self._sessions = {one.digest: one for one in sessions if one.until > self.now()}

    def invite(
        self, role: Role, *, run: str | None, post: str = "", takes_over: str = "", for_s: float = JOIN_S
    ) -> str:
        """A new one-time token."""
        token = secrets.token_urlsafe(24)
        self._open = {digest: one for digest, one in self._open.items() if one.until > self.now()}
        self._open[_digest(token)] = Invitation(role, run, post, self.now() + for_s, takes_over)
        return token

    def invitation(self, token: str) -> Invitation:
        """What a token stands for, without using it up; raises Refused."""
        invited = self._open.get(_digest(token))
        if invited is None or invited.until <= self.now():
            raise Refused("join.refused")
        return invited

    def join(self, token: str, name: str, browser: str, before: Session | None = None) -> tuple[str, Session]:
        """Use the token up: the value of the cookie and the session it opens; raises Refused.

        `before` is the session that the same browser had until now. It ends, and a witness takes along the right to
        deliver what was marked under it.
        """
        invited = self.invitation(token)
        name = " ".join(plain(name).split())[:NAME_CHARS]
        if not name:
            raise Refused("join.name_missing")
        del self._open[_digest(token)]
        for sid in (invited.takes_over, before.sid if before is not None else ""):
            self.end(sid)
        earlier: tuple[tuple[str, str], ...] = ()
        if before is not None and before.role == invited.role == "witness" and before.run is not None:
            earlier = tuple(dict.fromkeys(((before.run, before.post), *before.earlier)))[:EARLIER_KEPT]
        cookie = secrets.token_urlsafe(32)
        session = Session(
            sid=secrets.token_hex(4),
            digest=_digest(cookie),
            csrf=secrets.token_urlsafe(24),
            role=invited.role,
            run=invited.run,
            name=name,
            post=invited.post,
            browser=_digest(browser),
            until=self.now() + SESSION_S,
            earlier=earlier,
        )
        self._sessions[session.digest] = session
        self._keep()
        return cookie, session

    def session(self, cookie: str, browser: str) -> Session:
        """Whose cookie this is; raises Refused where it is unknown, too old, or came from another browser."""
        session = self._sessions.get(_digest(cookie))
        if session is None or session.until <= self.now():
            raise Refused("access.expired")
        if not hmac.compare_digest(session.browser, _digest(browser)):
            raise Refused("access.stolen")
        return session

    def end(self, sid: str) -> None:
        """This session opens nothing any more."""
        self._sessions = {digest: one for digest, one in self._sessions.items() if one.sid != sid}
        self._keep()

    def people(self, run: str | None = None) -> tuple[Session, ...]:
        """Everybody who may come in now, of one run if it is named."""
        now = self.now()
        return tuple(one for one in self._sessions.values() if one.until > now and run in (None, one.run))

    def _keep(self) -> None:
        if self.file is not None:
            write_whole(self.file, json.dumps([asdict(one) for one in self.people()]).encode(), private=True)


def _session(kept: dict[str, Any]) -> Session:
    earlier = tuple((str(run), str(post)) for run, post in kept.pop("earlier", ()))
    session = Session(**kept, earlier=earlier)
    if not isinstance(session.until, int | float):
        raise TypeError("not a session")
    return session


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


# --- what a request must bring ---


def access_of(request: Request) -> Access:
    """The access of the board that serves this request."""
    access: Access = request.app.state.board.access
    return access


def browser_of(request: Request) -> str:
    """What a browser calls itself; a cookie that turns up under another name was carried off."""
    return request.headers.get("user-agent", "")


def session_of(request: Request) -> Session | None:
    """The session of a request, if it has one that is still good."""
    try:
        return access_of(request).session(request.cookies.get(COOKIE, ""), browser_of(request))
    except Refused:
        return None


def require(*roles: Role) -> Callable[[Request], Awaitable[Session]]:
    """A dependency: the session of the request, which must have one of these roles (any, where none is named).

    Anything but reading must also carry the session's own forgery token, as the header `X-CSRF` or the form field
    `csrf`. 401 without a good session, 403 with the wrong role or token.
    """
    allowed = roles or get_args(Role)

    async def needed(request: Request) -> Session:
        try:
            session = access_of(request).session(request.cookies.get(COOKIE, ""), browser_of(request))
        except Refused as refused:
            raise HTTPException(401, refused.why) from refused
        if session.role not in allowed:
            raise HTTPException(403, "access.role")
        if request.method not in ("GET", "HEAD"):
            given = request.headers.get("x-csrf") or (await form_of(request)).get("csrf", "")
            if not hmac.compare_digest(given.encode(), session.csrf.encode()):
                raise HTTPException(403, "access.forged")
        return session

    return needed


Desk = Depends(require("desk"))
Anybody = Depends(require())


async def form_of(request: Request) -> Mapping[str, str]:
    """The fields of a posted form, the last of each name; none for another kind of body."""
    return {name: values[-1] for name, values in (await fields_of(request)).items()}


async def fields_of(request: Request) -> Mapping[str, list[str]]:
    """The fields of a posted form, with all their values."""
    if not request.headers.get("content-type", "").startswith("application/x-www-form-urlencoded"):
        return {}
    body = (await request.body()).decode("utf-8", "replace")
    try:
        fields = parse_qs(body, keep_blank_values=True, max_num_fields=500)
    except ValueError as error:
        raise HTTPException(400) from error
    return {name: [plain(value) for value in values] for name, values in fields.items()}


def plain(text: str) -> str:
    """What people wrote, in characters that can be seen: none that move a terminal's cursor or turn the line round.

    >>> plain("Ines\\x1b[2J of the\\nrink")
    'Ines [2J of the rink'
    """
    return "".join(char if char.isprintable() else " " for char in text)


def own_host(host: str, extra: frozenset[str] = frozenset()) -> bool:
    """Whether a Host header names this machine: an address, or its own name. A foreign name was rebound to us.

    >>> own_host("192.0.2.7:8014"), own_host("localhost:8014"), own_host("elsewhere.example")
    (True, True, False)
    """
    name = host_of(f"//{host}")
    try:
        ipaddress.ip_address(name)
    except ValueError:
        own = socket.gethostname().lower()
        return name in {"localhost", own, f"{own}.local", *extra}
    return True


def host_of(address: str) -> str:
    """The host that an address names; empty where it names none."""
    try:
        return (urlsplit(address).hostname or "").lower()
    except ValueError:
        return ""


def foreign_origin(headers: Mapping[str, str]) -> bool:
    """Whether a browser says that a request was made by another site's page."""
    site = headers.get("sec-fetch-site")
    if site is not None and site not in ("same-origin", "none"):
        return True
    origin = headers.get("origin")
    return origin is not None and origin.partition("://")[2] != headers.get("host", "")


@dataclass
class Pace:
    """How often one may knock: a bucket of `burst` that fills by `per_s`."""

    burst: float
    per_s: float
    now: Callable[[], float] = time.monotonic
    _levels: dict[str, tuple[float, float]] = field(default_factory=dict)

    def allows(self, who: str) -> bool:
        """Take one out of the bucket of somebody, if there is one left."""
        now = self.now()
        if len(self._levels) > 4096:
            self._levels = {one: level for one, level in self._levels.items() if now - level[1] < 60.0}
        level, since = self._levels.get(who, (self.burst, now))
        level = min(self.burst, level + (now - since) * self.per_s)
        self._levels[who] = (level - 1.0 if level >= 1.0 else level, now)
        return level >= 1.0


def set_cookie(response: Any, cookie: str, *, secure: bool) -> None:
    """Hand the session over: not readable by scripts, never sent along from another site."""
    response.set_cookie(
        COOKIE, cookie, max_age=int(SESSION_S), path="/", httponly=True, samesite="strict", secure=secure
    )
