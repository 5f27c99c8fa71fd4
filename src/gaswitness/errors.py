"""The one error tree, with the exit code each branch ends a command with.

    GaswitnessError                 something the person at the keyboard must know
    |- InputError            exit 2 wrong use or bad input: where, found, expected, hint
    |  |- InputFaults        exit 2 several of them at once, each with its own path
    |  |  `- Unreadable      exit 2 not the kind of document it should be, so that nothing in it was looked at
    |  |- UnitError          exit 2 a quantity that cannot be read or converted
    |  |- PlanRefused        exit 2 a plan that could not prove what it claims
    |  `- OutOfDomain        exit 2 a number outside what a formula holds for
    |- LinkError             exit 3 a link or a service failed
    `- EvidenceError         exit 4 evidence not trusted
       |- ChainBroken        exit 4 a ledger line was altered, lost or put elsewhere
       |- SignatureRejected  exit 4 the signature does not belong to these bytes
       `- UnknownSigner      exit 4 a good signature by a key nobody vouched for

Exit 0 is done and good, exit 1 is done and something fell short; neither is an error.
"""

from __future__ import annotations

from dataclasses import dataclass

from gaswitness.sentence import Sentence, listed, said

EXIT_GOOD = 0
EXIT_FELL_SHORT = 1
EXIT_BAD_INPUT = 2
EXIT_LINK = 3
EXIT_EVIDENCE = 4


class GaswitnessError(Exception):
    """Base of all errors this package raises on purpose."""

    exit_code = EXIT_BAD_INPUT

    def __init__(self, message: str, *, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint

    def __str__(self) -> str:
        return f"{self.message}\n  hint: {self.hint}" if self.hint else self.message


class InputError(GaswitnessError):
    """Bad input, told as where, what was found, what was expected and what to do."""

    def __init__(
        self, message: str, *, where: str = "", found: object = None, expected: str = "", hint: str = ""
    ) -> None:
        self.where = where
        self.found = found
        self.expected = expected
        parts = [said("{where}: {message}", where=where, message=message) if where else message]
        if found is not None:
            if isinstance(found, Sentence):
                parts.append(said("found '{found}'", found=found))
            else:
                parts.append(said("found {found}", found=repr(found)))
        if expected:
            parts.append(said("expected {expected}", expected=expected))
        super().__init__(listed(parts, "; ") if len(parts) > 1 else parts[0], hint=hint)


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong in a description, said so that a person can go and mend it."""

    path: str
    """Where in the document, JSON-path style: ``$.detectors[0].alarms[1].set``."""
    message: str
    """What was found and what was expected, one sentence."""
    hint: str = ""
    line: int | None = None
    """Line in the file, counted from one; unknown for a document made in memory."""

    def __str__(self) -> str:
        return str(_line(self))


def _line(fault: Fault) -> str:
    """The same as its text, and each part of it can be told in another language."""
    at = said("line {line}, {path}", line=fault.line, path=fault.path) if fault.line else fault.path
    told = said("{path}: {message}", path=at, message=fault.message)
    return listed([told, said("  hint: {hint}", hint=fault.hint)], "\n") if fault.hint else told


class InputFaults(InputError):
    """Every fault of one document at once."""

    def __init__(self, source: str, faults: tuple[Fault, ...]) -> None:
        self.source = source
        self.faults = faults
        count, source = len(faults), str(source)
        head = (
            said("{count} fault in {source}", count=count, source=source)
            if count == 1
            else said("{count} faults in {source}", count=count, source=source)
        )
        super().__init__(listed([head, *map(_line, faults)], "\n"))


class Unreadable(InputFaults):
    """Not the kind of document it should be: nothing in it was looked at."""


class UnitError(InputError):
    """A quantity that cannot be read, or units that do not measure the same thing."""


class PlanRefused(InputError):
    """The plan would not prove what it claims; the message says why."""


class OutOfDomain(InputError):
    """A number outside the range a formula holds for."""


class LinkError(GaswitnessError):
    """A link to a panel, or a local service, did not do its part."""

    exit_code = EXIT_LINK


class EvidenceError(GaswitnessError):
    """Evidence that cannot be trusted as it stands."""

    exit_code = EXIT_EVIDENCE


class ChainBroken(EvidenceError):
    """A ledger line was altered, removed, or moved."""


class SignatureRejected(EvidenceError):
    """The signature does not belong to these bytes."""


class UnknownSigner(EvidenceError):
    """The signature is good, but nobody vouched for the key."""
