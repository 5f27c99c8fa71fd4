"""Register maps of the simulated panel: the site's own, or one made up for a site that states none."""

from __future__ import annotations

from gaswitness.links import registers
from gaswitness.site.records import Site
from gaswitness.site.wires import BitEntry, LinkSpec, RegisterEntry


def maps_of(site: Site, url: str) -> tuple[LinkSpec, ...]:
    """The Modbus maps that the rig serves for this site."""
    own = tuple(spec for spec in site.links if spec.url.startswith("modbus-") and (spec.registers or spec.bits))
    return own or (made_up_map(site, url),)


def made_up_map(site: Site, url: str) -> LinkSpec:
    """Readings as float32 from input register 0, status from discrete input 0, in the order of the site.

    Status of each detector is its fault and then its alarm points; effects follow from the next multiple of 16,
    each `on`, and `inhibited` where it may be.
    """
    numbers = tuple(
        RegisterEntry(
            signal=f"{detector.tag}.reading",
            function=4,
            address=2 * at,
            unit="ppm" if detector.unit == "%LFL" and detector.lfl is None else detector.unit,
        )
        for at, detector in enumerate(site.detectors)
    )
    signals = [
        f"{detector.tag}.{name}"
        for detector in site.detectors
        for name in ("fault", *(p.name for p in detector.alarms))
    ]
    first = -(-len(signals) // 16) * 16
    bits = [BitEntry(signal=signal, function=2, address=at) for at, signal in enumerate(signals)]
    outputs = [
        f"{effect.tag}.{what}"
        for effect in site.effects
        for what in (("on", "inhibited") if effect.inhibitable else ("on",))
    ]
    bits += [BitEntry(signal=signal, function=2, address=first + at) for at, signal in enumerate(outputs)]
    return LinkSpec(url=url, registers=numbers, bits=tuple(bits))


def words_of(
    spec: LinkSpec, site: Site, readings: dict[str, float], status: dict[str, bool], swapped: frozenset[str]
) -> dict[tuple[int, int], int]:
    """What stands at each (function, address) of a map now; `swapped` tags have their two registers changed over."""
    words: dict[tuple[int, int], int] = {}
    for entry in spec.bits:
        at = entry.function, entry.address
        shown = int(status.get(entry.signal, False) != entry.inverted)
        words[at] = words.get(at, 0) | shown << (entry.bit or 0)
    for number in spec.registers:
        tag = number.signal.rpartition(".")[0]
        detector = site.detector(tag)
        raw = registers.raw_of(readings[tag], number, detector)
        made = registers.encode(raw, number.type, number.words)
        for at_word, word in enumerate(made[::-1] if tag in swapped else made):
            words[number.function, number.address + at_word] = word
    return words
