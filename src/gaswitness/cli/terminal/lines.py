"""A run told line by line, where there is no terminal to draw on: each step, message and question once."""

from __future__ import annotations

from collections.abc import Callable

from gaswitness.cli.terminal.hands import MARK_KEYS, ConsoleHands
from gaswitness.cli.terminal.looks import clock_text
from gaswitness.run.lookout import Message
from gaswitness.run.snapshots import Snapshot


class LineTalk:
    """Says what is new since the snapshot before."""

    def __init__(self, hands: ConsoleHands, say: Callable[[str], None]) -> None:
        self._hands, self._say = hands, say
        self._step: tuple[str, float] | None = None
        self._message: Message | None = None
        self._asked: tuple[str, float] | None = None
        self._wrong = ""

    def show(self, snapshot: Snapshot) -> None:
        """Take the next snapshot."""
        self._hands.look(snapshot)
        self._messages(snapshot.messages)
        self._told_wrong()
        step = snapshot.step
        if step is None:
            return
        key = (step.id, snapshot.step_since_s)
        if key != self._step:
            self._step = key
            done = sum(line.done for line in snapshot.detectors)
            steps = sum(line.steps for line in snapshot.detectors)
            self._say(f"{clock_text(snapshot.t_s):>8}  {done:3}/{steps}  {step.id}: {step.text}")
            for caution in snapshot.cautions:
                self._say(f"{'':8}  caution: {caution}")
        if self._hands.asking is not None and self._hands.asking.id == step.id and key != self._asked:
            self._asked = key
            marks = "  ".join(
                f"{mark} {watched.signal}" for mark, watched in zip(MARK_KEYS, snapshot.watched, strict=False)
            )
            enter = "" if self._hands.measuring else "Enter: done; "
            if self._hands.measuring:
                self._say(f"{'':8}  measured: {self._hands.measuring}; Enter alone: {self._hands.unmeasured}")
            self._say(f"{'':8}  {enter}a a: abort; s s: stop; n: note" + (f"; marks: {marks}" if marks else ""))

    def _told_wrong(self) -> None:
        if self._hands.wrong not in ("", self._wrong):
            self._say(f"{'':8}  {self._hands.wrong}")
        self._wrong = self._hands.wrong

    def _messages(self, messages: tuple[Message, ...]) -> None:
        new = messages
        if self._message is not None and self._message in messages:
            new = messages[messages.index(self._message) + 1 :]
        for message in new:
            self._say(f"{clock_text(message.t_s):>8}  {'!' if message.urgent else ' '} {message.text}")
        if messages:
            self._message = messages[-1]
