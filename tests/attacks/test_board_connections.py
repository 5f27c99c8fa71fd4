"""Somebody opens connections to a board in a process of its own, and leaves them: others are served all the same."""

from __future__ import annotations

import contextlib
import socket
import time
from collections.abc import Iterator

import httpx
import pytest

from gaswitness.history.files import write_whole
from gaswitness.web.access import Access
from gaswitness.web.door import FROM_ONE_ADDRESS
from gaswitness.web.guard import STREAMS_EACH
from support.boards import BoardProcess, board
from support.rigged import example_plan

PATIENCE_S = 60.0


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[BoardProcess, str]]:
    """A board whose run stands at its first step, and the cookie of a desk."""
    folder = tmp_path_factory.mktemp("board")
    write_whole(folder / "plan.json", example_plan("cellar.yaml", ("CO2-A",)).model_dump_json().encode())
    access = Access(file=folder / ".gaswitness-board.json")
    cookie, _ = access.join(access.invite("desk", run=None), "M. Kerr", "test")
    words = ["--host", "0.0.0.0", "--folder", str(folder), "--run", str(folder / "plan.json"), "--link", "by-hand:"]
    with board(*words) as made:
        yield made, cookie


def ask(port: int, path: str = "/", here: str = "127.0.0.1", **headers: str) -> httpx.Response:
    with httpx.Client(transport=httpx.HTTPTransport(local_address=here), timeout=PATIENCE_S) as client:
        return client.get(f"http://127.0.0.1:{port}{path}", headers={"user-agent": "test", **headers})


def closed(connection: socket.socket) -> bool:
    """Whether the other end has let go."""
    connection.setblocking(False)
    try:
        return connection.recv(4096) == b""
    except BlockingIOError:
        return False
    except OSError:
        return True


def until_closed(connections: list[socket.socket], count: int) -> None:
    end = time.monotonic() + PATIENCE_S
    gone: set[int] = set()
    while len(gone) < count:
        assert time.monotonic() < end, f"{len(gone)} of {count} closed"
        gone |= {n for n, one in enumerate(connections) if n not in gone and closed(one)}
        time.sleep(0.1)


def test_one_address_cannot_take_every_connection_and_none_that_asks_nothing_stays(
    served: tuple[BoardProcess, str],
) -> None:
    port = served[0].port
    with contextlib.ExitStack() as stack:
        many = [
            stack.enter_context(socket.create_connection(("127.0.0.1", port), source_address=("127.0.0.2", 0)))
            for _ in range(FROM_ONE_ADDRESS + 6)
        ]
        for one in many[: FROM_ONE_ADDRESS // 2]:
            one.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: ")  # and nothing more
        until_closed(many, 6)
        assert ask(port).status_code == 200, "others are served meanwhile"
        until_closed(many, len(many))
    assert ask(port, here="127.0.0.2").status_code == 200, "and so is that address, once they are gone"


def test_one_access_cannot_hold_every_stream(served: tuple[BoardProcess, str]) -> None:
    made, cookie = served
    with contextlib.ExitStack() as stack:
        statuses = []
        for _ in range(STREAMS_EACH + 1):
            client = stack.enter_context(httpx.Client(timeout=PATIENCE_S))
            headers = {"user-agent": "test", "cookie": f"gaswitness={cookie}"}
            stream = client.stream("GET", f"http://127.0.0.1:{made.port}/events", headers=headers)
            statuses.append(stack.enter_context(stream).status_code)
        assert statuses == [200] * STREAMS_EACH + [429]
        assert ask(made.port, "/live", cookie=f"gaswitness={cookie}").status_code == 200


def test_a_made_up_address_does_not_count_for_another_one(served: tuple[BoardProcess, str]) -> None:
    """Nobody stands in front of the board: who says that he asks for somebody else is taken for himself."""
    with httpx.Client(transport=httpx.HTTPTransport(local_address="127.0.0.3"), timeout=PATIENCE_S) as client:
        statuses = [
            client.post(
                f"http://127.0.0.1:{served[0].port}/join",
                data={"token": "guessed", "name": "x"},
                headers={"x-forwarded-for": f"192.0.2.{n}"},
            ).status_code
            for n in range(14)
        ]
    assert statuses[:10] == [403] * 10
    assert 429 in statuses[10:]


def test_a_client_that_hangs_up_in_the_middle_leaves_no_word_in_the_log(served: tuple[BoardProcess, str]) -> None:
    made, cookie = served
    before = len(made.said)
    for body in (b"", b"csrf=", b"x" * 50):
        with socket.create_connection(("127.0.0.1", made.port)) as one:
            head = f"POST /live/note HTTP/1.1\r\nHost: 127.0.0.1\r\nUser-Agent: test\r\nCookie: gaswitness={cookie}\r\n"
            kind = "Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 100\r\n\r\n"
            one.sendall(head.encode() + kind.encode() + body)
    assert ask(made.port).status_code == 200
    assert [line for line in made.said[before:] if "Traceback" in line or "defect" in line] == []
