"""Hands for a run: the person at the keyboard, or nobody (`--assume-yes` where there is no rig)."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from typing import Literal

from gaswitness.cli.terminal.keys import BACKSPACE, END, ENTER, ESCAPE
from gaswitness.clock import Clock
from gaswitness.errors import InputError
from gaswitness.plan.records import Step
from gaswitness.run.measured import ASKED, NOT_READ, read_typed
from gaswitness.run.ports import Answer, EndWaitWish, Hands, NoteWish, Press, ReadingWish, StopWish, Wish
from gaswitness.run.snapshots import Snapshot, Watched, end_of_wait

REACTION_U_S = 0.1
"""Standard uncertainty of the instant of a key press by somebody who waits for it (common practice, no source)."""

MARK_KEYS = "123456789bcdfghijlmopqtuvwxyz"
"""Keys for witness marks, in order; none of them means anything else."""

Typing = Literal["note", "reading", "measured", "abort", "stop"]


class ConsoleHands:
    """The person at the keyboard. Keys come in by `key`; `prompt` is what the screen should show at its foot.

    `helper` carries out what was confirmed, where the installation is a simulated one; `asks` is false when somebody
    else is the run's hands and the keyboard is there to stop the run or to take a note.
    """

    def __init__(
        self,
        operator: str,
        clock: Clock,
        wishes: asyncio.Queue[Wish],
        *,
        helper: Hands | None = None,
        asks: bool = True,
    ) -> None:
        self.name = operator
        self.asks = asks
        self._clock, self._wishes, self._helper = clock, wishes, helper
        self._asked: tuple[Step, asyncio.Future[Answer]] | None = None
        self._marks: asyncio.Queue[Press] = asyncio.Queue()
        self._count = 0
        self._watched: tuple[Watched, ...] = ()
        self._tag: str | None = None
        self._per_ppm = 1.0
        self._wait_ends: EndWaitWish | None = None
        self._typing: Typing | None = None
        self._typed = ""
        self.wrong = ""
        """What was wrong with what was typed last as measured."""
        self.pages, self.page = 1, 0
        """How many pages the screen needs for what must be read first, and which one is shown."""

    # --- ports.Hands ---

    async def do(self, step: Step) -> Answer:
        """Wait until the person says that it is done."""
        answered: asyncio.Future[Answer] = asyncio.get_running_loop().create_future()
        self._asked = (step, answered)
        self.pages, self.page = 1, 0
        self.wrong = ""
        try:
            answer = await answered
        finally:
            self._asked = None
            if self._typing == "measured":
                self._typing = None
        if self._helper is not None and answer.state == "done":
            helped = await self._helper.do(step)
            measured = answer.measured or helped.measured
            return Answer("done", self.name, answer.note, t_s=helped.t_s, u_s=helped.u_s, measured=measured)
        return answer

    async def presses(self) -> AsyncIterator[Press]:
        """Marks as they are pressed."""
        while True:
            yield await self._marks.get()

    # --- what the screen needs ---

    def look(self, snapshot: Snapshot) -> None:
        """Take note of what is being watched now."""
        self._watched = snapshot.watched
        self._tag = snapshot.strip.detector.tag if snapshot.strip is not None else None
        self._per_ppm = snapshot.strip.per_ppm if snapshot.strip is not None else 1.0
        self._wait_ends = end_of_wait(snapshot, self.name)

    @property
    def asking(self) -> Step | None:
        """The step that waits for the person."""
        return self._asked[0] if self._asked is not None else None

    @property
    def prompt(self) -> str:
        """What is being typed, or asked; empty when only single keys are awaited."""
        match self._typing:
            case "note":
                return f"note: {self._typed}_"
            case "reading":
                return f"reading of {self._tag}: {self._typed}_"
            case "measured" if self.asking is not None:
                return f"measured: {self._typed}_   {self.wrong or self.measuring}"
            case "abort":
                return "abort for good: press a once more (any other key: go on)"
            case "stop":
                return "stop here, to go on later: press s once more (any other key: go on)"
            case _:
                return ""

    @property
    def measuring(self) -> str:
        """What is to be typed at the step that waits, where it asks for something measured; else empty."""
        return ASKED.get(self.asking.kind, "") if self.asking is not None else ""

    @property
    def unmeasured(self) -> str:
        """What becomes of such a step where nothing is typed."""
        return "not measured" if self._helper is None else "read by the rig"

    # --- keys ---

    def key(self, key: str) -> None:
        """One key was pressed."""
        if key == END:
            self._wishes.put_nowait(StopWish("stopped", self.name, "the keyboard's input ended"))
        elif self._typing in ("note", "reading", "measured"):
            self._type(key)
        elif self._typing in ("abort", "stop"):
            self._decide(key)
        elif key == ENTER and self.page + 1 < self.pages:
            self.page += 1
        elif key == ENTER:
            self._answer(Answer("done", self.name, t_s=self._clock.now_s(), u_s=REACTION_U_S))
        elif key in _TYPINGS:
            self._typing, self._typed = _TYPINGS[key], ""
        elif key == "e" and self._wait_ends is not None:
            self._wishes.put_nowait(self._wait_ends)
        elif key == "k":
            self._answer(Answer("skipped", self.name, "left out by hand"))
        elif self.measuring and (key.isdecimal() or key == NOT_READ):
            self._typing, self._typed, self.wrong = "measured", key, ""
        elif key in MARK_KEYS:
            self._mark(MARK_KEYS.index(key))

    def _answer(self, answer: Answer) -> None:
        if self._asked is not None and not self._asked[1].done():
            self._asked[1].set_result(answer)

    def _mark(self, number: int) -> None:
        if number >= len(self._watched) or not self.asks:
            return
        watched = self._watched[number]
        on = not watched.on_by_witness
        self._count += 1
        self._marks.put_nowait(
            Press(
                mark_id=f"keyboard-{self._clock.now_s():.3f}-{self._count}",
                post=watched.post,
                witness=self.name,
                signal=watched.signal,
                on=on,
                t_s=self._clock.now_s(),
                u_s=REACTION_U_S,
                pattern=watched.pattern if on else None,
            )
        )

    def _type(self, key: str) -> None:
        if key == ESCAPE:
            self._typing = None
        elif key == BACKSPACE:
            self._typed = self._typed[:-1]
        elif key != ENTER:
            self._typed += key if key.isprintable() else ""
        elif self._typing == "measured":
            self._measured()
        else:
            self._typed_out()
            self._typing = None

    def _measured(self) -> None:
        """Hand over what was typed; what cannot be is said, and typed again."""
        if self.asking is None:
            self._typing = None
            return
        try:
            read = read_typed(self.asking.kind, self._typed)
        except InputError as error:
            self.wrong, self._typed = error.message, ""
            return
        self._typing = None
        if read is not None:
            self._answer(Answer("done", self.name, t_s=self._clock.now_s(), u_s=REACTION_U_S, measured=read))

    def _typed_out(self) -> None:
        text = self._typed.strip()
        if self._typing == "note" and text:
            self._wishes.put_nowait(NoteWish(self.name, text))
        elif self._typing == "reading" and self._tag is not None:
            try:
                value = float(text.replace(",", "."))
            except ValueError:
                return
            self._wishes.put_nowait(ReadingWish(self.name, self._tag, value / self._per_ppm))

    def _decide(self, key: str) -> None:
        wanted, self._typing = self._typing, None
        if wanted is not None and _TYPINGS.get(key) == wanted:
            outcome: Literal["stopped", "aborted"] = "aborted" if wanted == "abort" else "stopped"
            self._wishes.put_nowait(StopWish(outcome, self.name, f"{outcome} from the keyboard"))


_TYPINGS: dict[str, Typing] = {"n": "note", "r": "reading", "a": "abort", "s": "stop"}


class AutoHands:
    """Nobody: every step is taken as done at once, and nobody sees anything. Gas does not flow by itself."""

    name = "assumed"

    def __init__(self, now_s: Callable[[], float]) -> None:
        self._now_s = now_s

    async def do(self, step: Step) -> Answer:  # noqa: ARG002 - the contract's own argument
        """Say that it is done."""
        return Answer("done", self.name, "assumed, nobody confirmed it", t_s=self._now_s())

    async def presses(self) -> AsyncIterator[Press]:
        """Nobody presses anything."""
        await asyncio.Event().wait()
        yield  # type: ignore[misc]  # never reached; makes this an iterator
