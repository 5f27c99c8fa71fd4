"""What somebody may do to a ledger, and that it is seen."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gaswitness.errors import ChainBroken
from gaswitness.evidence.ledger import ZERO_DIGEST, digest_of, read_ledger, seal
from gaswitness.run.events import RunResumed, RunStarted, RunStopped
from support.ledgers import WALL, note, small_plan, write_chain

START = RunStarted(
    t_s=0.0, wall=WALL, run_id="R1", plan=small_plan(()), link="rig", operator="MK", simulated=True, software="test"
)
STOP = RunStopped(t_s=9.0, wall=WALL, outcome="complete")
DATA = write_chain([START, *(note(f"note {n}", float(n)) for n in range(1, 6)), STOP])
LINES = DATA.splitlines(keepends=True)
FIRST = len(LINES[0])
MIDDLE = sum(map(len, LINES[:3]))
"""Where line 4 begins."""


def test_untouched_holds() -> None:
    ledger = read_ledger(DATA)
    assert (len(ledger.events), ledger.torn_bytes, ledger.ends_with_newline) == (7, 0, True)
    assert ledger.stopped == STOP


@given(at=st.integers(0, len(DATA) - len(LINES[-1]) - 1), bit=st.integers(0, 7))
@settings(max_examples=400, deadline=None)
def test_any_bit_flipped_before_the_last_line_is_seen(at: int, bit: int) -> None:
    broken = bytearray(DATA)
    broken[at] ^= 1 << bit
    with pytest.raises(ChainBroken):
        read_ledger(bytes(broken))


@pytest.mark.parametrize(
    ("needle", "by"),
    [
        (b'"ledger":1', b'"ledger":2'),
        (b'"seq":3', b'"seq":4'),
        (b'"prev":"', b'"prev":"0'),
        (b'"digest":"', b'"digest":"0'),
        (b"note 3", b"note 8"),
        (b'"by":"MK"', b'"by":"JD"'),
        (b'"event":{', b'"event": {'),
        (b'"}}', b'"} }'),
    ],
)
def test_each_part_of_a_line_is_guarded(needle: bytes, by: bytes) -> None:
    line = LINES[3]
    assert needle in line
    with pytest.raises(ChainBroken, match="line 4"):
        read_ledger(b"".join([*LINES[:3], line.replace(needle, by, 1), *LINES[4:]]))


@given(at=st.integers(MIDDLE, len(DATA) - 1), bit=st.integers(0, 7))
@settings(max_examples=200, deadline=None)
def test_a_flip_in_the_tail_never_passes_as_the_same_ledger(at: int, bit: int) -> None:
    """In the last line a flip may look like a torn one, but then the stop is gone and bytes are reported."""
    broken = bytearray(DATA)
    broken[at] ^= 1 << bit
    try:
        ledger = read_ledger(bytes(broken))
    except ChainBroken:
        return
    if at == len(DATA) - 1:
        assert ledger.stopped is None or not ledger.ends_with_newline
        return
    assert ledger.stopped is None
    assert ledger.torn_bytes > 0


@pytest.mark.parametrize("gone", range(len(LINES) - 1))
def test_a_dropped_line_is_seen(gone: int) -> None:
    with pytest.raises(ChainBroken):
        read_ledger(b"".join(line for n, line in enumerate(LINES) if n != gone))


@pytest.mark.parametrize("first", range(len(LINES) - 1))
def test_swapped_lines_are_seen(first: int) -> None:
    swapped = list(LINES)
    swapped[first], swapped[first + 1] = swapped[first + 1], swapped[first]
    with pytest.raises(ChainBroken):
        read_ledger(b"".join(swapped))


@pytest.mark.parametrize("twice", range(len(LINES)))
def test_a_line_put_in_twice_is_seen(twice: int) -> None:
    with pytest.raises(ChainBroken, match="second time"):
        read_ledger(b"".join([*LINES[: twice + 1], LINES[twice], *LINES[twice + 1 :]]))


def test_messages_name_line_and_wrong() -> None:
    with pytest.raises(ChainBroken, match=r"visit\.jsonl, line 4: .*1 missing"):
        read_ledger(b"".join([*LINES[:3], *LINES[4:]]), "visit.jsonl")
    with pytest.raises(ChainBroken, match="line 3: was altered"):
        read_ledger(DATA.replace(b"note 2", b"note 9"))
    with pytest.raises(ChainBroken, match="line 3: is not a whole ledger line"):
        read_ledger(b"".join([*LINES[:2], b"not json\n", *LINES[2:]]))


@given(length=st.integers(0, len(DATA)))
@settings(max_examples=300, deadline=None)
def test_cut_anywhere_loses_at_most_the_line_being_written(length: int) -> None:
    cut = DATA[:length]
    whole = cut.count(b"\n")
    if length < FIRST - 1:
        with pytest.raises(ChainBroken, match="no whole ledger line"):
            read_ledger(cut)
        return
    ledger = read_ledger(cut)
    newline_only = cut + b"\n" == DATA[: length + 1]
    assert len(ledger.events) == whole + newline_only
    assert ledger.torn_bytes == (0 if newline_only else len(cut) - cut.rfind(b"\n") - 1)
    assert (ledger.stopped is None) == (length < len(DATA) - 1)


def test_events_added_after_the_end_are_seen() -> None:
    after = seal(note("one more", 10.0), digest_of(LINES[-1]), len(LINES))
    with pytest.raises(ChainBroken, match="after the run had ended"):
        read_ledger(DATA + after)
    again = seal(RunResumed(t_s=12.0, wall=WALL, gap_s=3.0, operator="MK"), digest_of(LINES[-1]), len(LINES))
    with pytest.raises(ChainBroken, match="after the run had ended"):
        read_ledger(DATA + again)


def test_a_stop_that_may_be_gone_on_with() -> None:
    stop = RunStopped(t_s=9.0, wall=WALL, outcome="stopped")
    on = RunResumed(t_s=99.0, wall=WALL, gap_s=90.0, operator="MK")
    ledger = read_ledger(write_chain([START, note("a"), stop, on, note("b", 100.0)]))
    assert (ledger.restarts, ledger.stopped) == (1, None)


def test_lines_of_another_ledger_are_seen() -> None:
    other = write_chain([START, note("elsewhere"), note("elsewhere too", 2.0)]).splitlines(keepends=True)
    with pytest.raises(ChainBroken, match=r"line 3: does not follow the line before it"):
        read_ledger(b"".join([*LINES[:2], other[2], *LINES[3:]]))


def test_a_chain_rewritten_from_the_middle_holds_but_is_another_ledger() -> None:
    """A chain without a key cannot stop somebody who writes all of it anew; the certificate's signature does."""
    forged = write_chain([START, note("forged"), STOP])
    assert read_ledger(forged).digest != read_ledger(DATA).digest


def _resumed_after(torn: bytes, stated: int) -> bytes:
    head = b"".join(LINES[:3])
    resumed = seal(RunResumed(t_s=20.0, wall=WALL, gap_s=5.0, torn_bytes=stated, operator="MK"), digest_of(LINES[2]), 3)
    return head + torn + b"\n" + resumed + seal(note("on", 21.0), digest_of(resumed), 4)


def test_a_torn_line_that_a_restart_accounts_for_is_survived() -> None:
    torn = LINES[3][:40]
    ledger = read_ledger(_resumed_after(torn, len(torn)))
    assert (len(ledger.events), ledger.restarts, ledger.torn_lines) == (5, 1, (4,))


def test_two_crashes_in_a_row_are_survived() -> None:
    torn = LINES[3][:40] + b"\n" + b'{"ledger":1,"se'
    ledger = read_ledger(_resumed_after(torn, len(torn)))
    assert ledger.torn_lines == (4, 5)


def test_a_restart_cannot_cover_up_more_than_it_states() -> None:
    torn = LINES[3][:40]
    with pytest.raises(ChainBroken, match="no restart accounts for it"):
        read_ledger(_resumed_after(torn + b"x", len(torn)))


def test_a_restart_cannot_stand_for_a_whole_line_that_was_spoiled() -> None:
    """The line after a spoiled one carries the next number, so a restart cannot be slipped in behind it."""
    spoiled = LINES[3].rstrip(b"\n")[:-5]
    resumed = seal(
        RunResumed(t_s=20.0, wall=WALL, gap_s=5.0, torn_bytes=len(spoiled), operator="MK"), digest_of(LINES[3]), 4
    )
    with pytest.raises(ChainBroken, match="line 4"):
        read_ledger(b"".join([*LINES[:3], spoiled + b"\n", resumed]))


def test_going_on_as_the_docs_say_gives_one_whole_ledger() -> None:
    for length in range(FIRST + 5, len(DATA) - len(LINES[-1]), 97):
        cut = DATA[:length]
        ledger = read_ledger(cut)
        resumed = RunResumed(t_s=50.0, wall=WALL, gap_s=1.0, torn_bytes=ledger.torn_bytes, operator="MK")
        more = b"" if ledger.ends_with_newline else b"\n"
        again = read_ledger(cut + more + seal(resumed, ledger.digest, ledger.next_seq))
        assert again.events == (*ledger.events, resumed)


@pytest.mark.parametrize(
    "data", [b"", b"\n", b"\x00\xff\xfe", b"{}\n", b"[1,2]\n{}\n", DATA[:30], b"\xef\xbb\xbf" + DATA]
)
def test_what_is_no_ledger_is_said_to_be_none(data: bytes) -> None:
    with pytest.raises(ChainBroken):
        read_ledger(data)


def test_first_event_must_be_the_start_and_only_that() -> None:
    with pytest.raises(ChainBroken, match="run-started must be the first"):
        read_ledger(write_chain([note("a")]))
    with pytest.raises(ChainBroken, match="run-started must be the first"):
        read_ledger(write_chain([START, START]))


def test_a_good_chain_over_an_unknown_event_is_not_read() -> None:
    import hashlib

    body = b'{"t_s":1.0,"wall":"x","kind":"unheard-of"}'
    digest = hashlib.sha256(f"1:0:{ZERO_DIGEST}:".encode() + body).hexdigest()
    line = b'{"ledger":1,"seq":0,"prev":"' + ZERO_DIGEST.encode() + b'","digest":"' + digest.encode()
    with pytest.raises(ChainBroken, match="no event that is known here"):
        read_ledger(line + b'","event":' + body + b"}\n")


@given(junk=st.binary(max_size=200))
@settings(max_examples=300, deadline=None)
def test_junk_never_gives_anything_but_one_message(junk: bytes) -> None:
    with pytest.raises(ChainBroken):
        read_ledger(junk)
    with contextlib.suppress(ChainBroken):
        assert read_ledger(DATA + junk).torn_bytes == len(junk.rstrip(b"\n"))
