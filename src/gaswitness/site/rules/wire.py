"""Do the links hold together: nothing twice, no register over another, everything there that a test needs?"""

from __future__ import annotations

from collections.abc import Iterator

from gaswitness.sentence import figure, listed, said
from gaswitness.site.records import Site
from gaswitness.site.rules.remark import Remarks, doubt, fault, level
from gaswitness.site.wires import LinkSpec, RegisterEntry

WIDTHS = {"uint16": 1, "int16": 1, "uint32": 2, "int32": 2, "float32": 2}
"""Registers that a type takes."""
SPANS: dict[str, tuple[float, float]] = {
    "uint16": (0.0, 2.0**16 - 1),
    "int16": (-(2.0**15), 2.0**15 - 1),
    "uint32": (0.0, 2.0**32 - 1),
    "int32": (-(2.0**31), 2.0**31 - 1),
}
LAST = 65535
POLLS_PER_T90 = 10.0


def wire(site: Site) -> Remarks:
    """Every link: addresses, signals, scales, poll interval."""
    yield from _signals(site)
    taken: dict[tuple[str, int, int, int], dict[int | None, str]] = {}
    for index, link in enumerate(site.links):
        path = f"$.links[{index}]"
        for at, signal, function, addresses, bit in _places(link, path):
            if addresses[-1] > LAST:
                message = said(
                    "found two registers from {first}, expected the last to be {last} or less",
                    first=addresses[0],
                    last=LAST,
                )
                yield fault(f"{at}.address", message)
            for address in addresses:
                here = taken.setdefault((link.url, link.unit_id, function, address), {})
                other = next((name for held, name in here.items() if bit is None or held is None or held == bit), None)
                if other is not None:
                    found = {"address": figure(address, "d"), "function": figure(function, "d"), "other": other}
                    yield fault(
                        f"{at}.address",
                        said("found address {address} (function {function}), which {other} takes already", **found)
                        if bit is None
                        else said(
                            "found bit {bit} of address {address} (function {function}), which {other} takes already",
                            bit=figure(bit, "d"),
                            **found,
                        ),
                        said("a 32-bit value takes two registers: this address and the next"),
                    )
                    break
                here[bit] = signal
        for number, register in enumerate(link.registers):
            yield from _fits(site, register, f"{path}.registers[{number}]")
    yield from _pace(site)


def named(link: LinkSpec, path: str) -> Iterator[tuple[str, str]]:
    """Path and signal of everything on a link."""
    for part in ("registers", "bits", "objects", "topics"):
        for number, entry in enumerate(getattr(link, part)):
            yield f"{path}.{part}[{number}]", entry.signal


def _places(link: LinkSpec, path: str) -> Iterator[tuple[str, str, int, range, int | None]]:
    """Path, signal, function, addresses and bit of every register and bit on a link."""
    for number, register in enumerate(link.registers):
        addresses = range(register.address, register.address + WIDTHS[register.type])
        yield f"{path}.registers[{number}]", register.signal, register.function, addresses, None
    for number, entry in enumerate(link.bits):
        yield f"{path}.bits[{number}]", entry.signal, entry.function, range(entry.address, entry.address + 1), entry.bit


def _signals(site: Site) -> Remarks:
    """Each signal at most once; a reading of every detector and a bit of every alarm point, where there is a link."""
    first: dict[str, str] = {}
    for index, link in enumerate(site.links):
        for at, signal in named(link, f"$.links[{index}]"):
            if signal in first:
                yield fault(
                    f"{at}.signal",
                    said("found {signal} a second time, expected it once", signal=signal),
                    said("first at {first}", first=first[signal]),
                )
            first.setdefault(signal, at)
    if not site.links:
        return
    for index, detector in enumerate(site.detectors):
        if f"{detector.tag}.reading" not in first:
            yield doubt(
                f"$.detectors[{index}]",
                said("found no {tag}.reading on any link", tag=detector.tag),
                said("its readings would have to be typed in by hand during the test"),
            )
        missing = [
            name
            for name in (*(f"{detector.tag}.{point.name}" for point in detector.alarms), f"{detector.tag}.fault")
            if name not in first
        ]
        if missing:
            yield doubt(
                f"$.detectors[{index}]",
                said("found no status bit of {missing} on any link", missing=listed(missing)),
                said("a person would have to witness these at the panel"),
            )


def _fits(site: Site, register: RegisterEntry, at: str) -> Remarks:
    """The number in the register must be able to hold the whole range, and resolve it."""
    if register.scale == 0:
        yield fault(
            f"{at}.scale", said("found 0, expected another number"), said("raw x scale + offset would never move")
        )
        return
    if register.unit == "mA" or register.type not in SPANS:
        return
    detector = site.detector(register.signal.rpartition(".")[0])
    lfl_ppm = detector.lfl.ppm if detector.lfl else 0.0
    unit_ppm = {"ppm": 1.0, "ppb": 1e-3, "%vol": 1e4, "%LFL": lfl_ppm / 100.0}[register.unit]
    lowest, highest = SPANS[register.type]
    for end_ppm in (detector.range_low_ppm, detector.range_high_ppm):
        raw = (end_ppm / unit_ppm - register.offset) / register.scale
        if not lowest <= raw <= highest:
            yield fault(
                f"{at}.type",
                said(
                    "found {type} with scale {scale}, which cannot hold {end} of {tag} ({raw} is beyond "
                    "{lowest} to {highest})",
                    type=register.type,
                    scale=figure(register.scale, "g"),
                    end=level(end_ppm),
                    tag=detector.tag,
                    raw=figure(raw, ",.0f"),
                    lowest=figure(lowest, ",.0f"),
                    highest=figure(highest, ",.0f"),
                ),
                said("use a wider type, or another scale or unit"),
            )
            return
    step_ppm = abs(register.scale) * unit_ppm
    if detector.resolution_ppm > 0 and step_ppm > detector.resolution_ppm * (1.0 + 1e-9):
        yield doubt(
            f"{at}.scale",
            said(
                "found steps of {step} in the register, coarser than the resolution of {tag}, {resolution}",
                step=level(step_ppm),
                tag=detector.tag,
                resolution=level(detector.resolution_ppm),
            ),
        )


def _pace(site: Site) -> Remarks:
    """A poll must be short against the response."""
    t90s_s = {f"{detector.tag}.reading": detector.t90_s for detector in site.detectors}
    for index, link in enumerate(site.links):
        quickest_s = min((t90s_s[signal] for signal in link.signals if signal in t90s_s), default=None)
        if quickest_s is not None and link.poll_s > quickest_s / POLLS_PER_T90:
            yield doubt(
                f"$.links[{index}].poll",
                said(
                    "found {poll} s, with a t90 of {t90} s on this link: fewer than {least} "
                    "readings while the reading rises",
                    poll=figure(link.poll_s, "g"),
                    t90=figure(quickest_s, "g"),
                    least=figure(POLLS_PER_T90, "g"),
                ),
                said("poll faster, or the response and the set levels will be uncertain"),
            )
