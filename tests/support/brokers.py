"""An MQTT broker that is not ours: mosquitto, on a port of its own, and its own program to publish with."""

from __future__ import annotations

import shutil
import socket
import subprocess
import time
from collections.abc import Sequence
from pathlib import Path

import pytest

from support.rigs import free_port

FOUND = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin:/usr/local/bin:/opt/homebrew/sbin")
PUBLISH = shutil.which("mosquitto_pub")
PATIENCE_S = 20.0

needs_mosquitto = pytest.mark.skipif(
    FOUND is None or PUBLISH is None, reason="mosquitto is not installed: no broker to subscribe at"
)


class Broker:
    """One broker; it may be stopped and started again on the same port."""

    def __init__(self, folder: Path, options: Sequence[str] = ("allow_anonymous true",), publisher: Sequence[str] = ()):
        self.port = free_port()
        self.url = f"mqtt://127.0.0.1:{self.port}"
        self._publisher = list(publisher)
        self._config = folder / "mosquitto.conf"
        self._config.write_text("\n".join([f"listener {self.port} 127.0.0.1", "user root", *options, ""]), "utf-8")
        self.log = folder / "mosquitto.log"
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Broker:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def start(self) -> None:
        assert FOUND is not None
        with self.log.open("ab") as log:
            self._process = subprocess.Popen([FOUND, "-v", "-c", str(self._config)], stdout=log, stderr=log)
        deadline = time.monotonic() + PATIENCE_S
        while True:
            assert self._process.poll() is None, self.log.read_text("utf-8")
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1.0).close()
                return
            except OSError:
                assert time.monotonic() < deadline
                time.sleep(0.02)

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(timeout=PATIENCE_S)
            self._process = None

    def publish(self, topic: str, payload: str | bytes, *, retain: bool = False, qos: int = 1) -> None:
        assert PUBLISH is not None
        told = payload.encode() if isinstance(payload, str) else payload
        words = [*self._words(topic), "-q", str(qos), "-s", *(["-r"] if retain else [])]
        subprocess.run(words, input=told, check=True, timeout=PATIENCE_S)

    def stream(self, topic: str) -> subprocess.Popen[str]:
        """A publisher that sends each line of its input as a message."""
        return subprocess.Popen([*self._words(topic), "-q", "1", "-l"], stdin=subprocess.PIPE, text=True, bufsize=1)

    def _words(self, topic: str) -> list[str]:
        return [str(PUBLISH), "-h", "127.0.0.1", "-p", str(self.port), *self._publisher, "-t", topic]
