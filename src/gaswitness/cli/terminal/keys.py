"""Single keys from whatever keyboard there is; whole lines where there is no terminal."""

from __future__ import annotations

import asyncio
import os
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TextIO

ENTER, ESCAPE, BACKSPACE, END = "\r", "\x1b", "\x7f", "\x04"
_POLL_S = 0.02

Take = Callable[[str], None]


@contextmanager
def keyboard(take: Take, stream: TextIO | None = None) -> Iterator[bool]:
    """Hand every key to `take` on the running event loop while inside; true if keys come one by one.

    Without a terminal, each line of the input arrives as its characters and an Enter, and its end as `END`.
    """
    source = stream or sys.stdin
    loop = asyncio.get_running_loop()

    def hand(keys: str) -> None:
        for key in keys:
            take({"\n": ENTER, "\b": BACKSPACE}.get(key, key))

    def hand_over(keys: str) -> None:
        loop.call_soon_threadsafe(hand, keys)

    if source is None or source.closed:
        yield False
    elif not source.isatty():
        _in_thread(lambda stop: _lines(source, hand_over, stop))
        yield False
    elif sys.platform == "win32":
        stop = _in_thread(lambda stop: _windows(hand_over, stop))
        try:
            yield True
        finally:
            stop.set()
    else:
        with _one_by_one(source):
            loop.add_reader(source.fileno(), lambda: hand(_waiting(source)))
            try:
                yield True
            finally:
                loop.remove_reader(source.fileno())


def _in_thread(work: Callable[[threading.Event], None]) -> threading.Event:
    stop = threading.Event()
    threading.Thread(target=work, args=(stop,), daemon=True, name="keyboard").start()
    return stop


def _lines(source: TextIO, hand: Take, stop: threading.Event) -> None:
    """Past the stream's own buffer, whose lock a thread must not hold when the program ends."""
    while not stop.is_set():
        try:
            piece = os.read(source.fileno(), 1024).decode(errors="ignore")
            hand(piece.replace("\r\n", "\n") or END)
        except (OSError, RuntimeError):
            return  # no input, or the run has ended and with it the loop
        if not piece:
            return


if sys.platform == "win32":
    import msvcrt

    def _windows(hand: Take, stop: threading.Event) -> None:
        while not stop.wait(_POLL_S):
            while msvcrt.kbhit():
                key = msvcrt.getwch()
                if key in ("\x00", "\xe0"):
                    msvcrt.getwch()  # arrows and function keys mean nothing here
                    continue
                hand(key)

else:
    import termios
    import tty

    @contextmanager
    def _one_by_one(source: TextIO) -> Iterator[None]:
        before = termios.tcgetattr(source.fileno())
        tty.setcbreak(source.fileno())
        try:
            yield
        finally:
            termios.tcsetattr(source.fileno(), termios.TCSADRAIN, before)

    def _waiting(source: TextIO) -> str:
        keys = os.read(source.fileno(), 1024).decode(errors="ignore")
        return "" if keys.startswith(ESCAPE) and len(keys) > 1 else keys
