"""Reading a site file: everything wrong at once, each with path, line, what was found and what to do."""

from __future__ import annotations

from pathlib import Path

import pytest

from gaswitness.errors import Fault, InputFaults, Unreadable
from gaswitness.site import load_site, read_site, site_from_bytes

SMALL = """\
gaswitness: gaswitness/site/1
name: Small
areas:
  - {tag: A, name: Room, volume: 50 m3, height: 2.5 m, occupied: false}
detectors:
  - tag: D
    gas: C3H8
    area: A
    range_high: 10000 ppm
    resolution: 50 ppm
    t90: 30 s
    alarms:
      - {name: low, set: 2000 ppm, deadband: 10 % of set}
"""


def faults_of(text: str) -> tuple[Fault, ...]:
    with pytest.raises(InputFaults) as caught:
        load_site(text, "site.yaml")
    return caught.value.faults


def the_fault(text: str) -> Fault:
    (fault,) = faults_of(text)
    return fault


def test_small_is_read() -> None:
    site = load_site(SMALL, "site.yaml")
    assert site.detector("D").alarm("low").clear_ppm(10_000.0) == 1800.0


def test_the_examples_are_read(repo: Path) -> None:
    rink = read_site(repo / "examples" / "ravensmoor.yaml")
    assert len(rink.detectors) == 7
    assert {effect.kind for effect in rink.effects} == {"lamp", "sounder", "relay", "fan", "valve", "message"}
    assert {effect.pattern for effect in rink.effects} == {"steady", "flashing", "pulsed"}
    assert [point.direction for point in rink.detector("O2-1").alarms] == ["falling", "falling"]
    assert rink.cylinder("BTL-CO2").level_ppm == 40_000.0
    assert len(read_site(repo / "examples" / "cellar.yaml").detectors) == 2


def test_what_is_written_is_read_equal(repo: Path) -> None:
    from gaswitness.site import Site

    rink = read_site(repo / "examples" / "ravensmoor.yaml")
    assert Site.model_validate_json(rink.model_dump_json()) == rink


def test_every_fault_at_once_in_the_order_of_the_file() -> None:
    text = (
        SMALL.replace("volume: 50 m3", "volume: 50")
        .replace("t90: 30 s", "t90: soon\n    colour: red")
        .replace("area: A\n", "area: B\n")
        .replace("set: 2000 ppm", "set: -1 ppm")
    )
    faults = faults_of(text)
    assert [fault.path for fault in faults] == [
        "$.areas[0].volume",
        "$.detectors[0].area",
        "$.detectors[0].t90",
        "$.detectors[0].colour",
        "$.detectors[0].alarms[0].set",
    ]
    assert [fault.line for fault in faults] == [4, 8, 11, 12, 14]


@pytest.mark.parametrize(
    ("old", "new", "path", "line", "found", "hint"),
    [
        ("name: Small", "nam: Small", "$.nam", 2, "unknown key 'nam'", "did you mean 'name'?"),
        ("t90: 30 s", "t09: 30 s", "$.detectors[0].t09", 11, "unknown key 't09'", "did you mean 't90'?"),
        ("t90: 30 s", "t90_s: 30 s", "$.detectors[0].t90_s", 11, "unknown key 't90_s'", "did you mean 't90'?"),
        ("t90: 30 s", "t90: 30", "$.detectors[0].t90", 11, "found 30 without a unit", "for example t90: 30 s"),
        ("t90: 30 s", "t90: 30 sec", "$.detectors[0].t90", 11, "the unit 'sec'", "for example t90: 30 s"),
        ("t90: 30 s", "t90: 0 s", "$.detectors[0].t90", 11, "found 0, expected more than 0", ""),
        ("set: 2000 ppm", "set: 200 %vol", "$.detectors[0].alarms[0].set", 13, "expected 0 to 1,000,000 ppm", ""),
        ("10 % of set", "10 %", "$.detectors[0].alarms[0].deadband", 13, "percentage of something", ""),
        ("name: low", "name: fault", "$.detectors[0].alarms[0].name", 13, "found 'fault'", "low or high"),
        ("gas: C3H8", "gas: propan", "$.detectors[0].gas", 7, "found 'propan'", "did you mean 'C3H8'?"),
        ("area: A\n", "area: AA\n", "$.detectors[0].area", 8, "expected the tag of an area", "did you mean 'A'?"),
        ("tag: D\n", "tag: 1 D\n", "$.detectors[0].tag", 6, "begins with a letter", ""),
        ("occupied: false", "occupied: perhaps", "$.areas[0].occupied", 4, "expected true or false", ""),
        ("name: Small", "name: S\ntests: {interval_months: 0}", "$.tests.interval_months", 3, "expected 1 or more", ""),
        ("name: Small", "name: [1]", "$.name", 2, "found a list, expected text", ""),
        ("name: Small", "name: ~", "$.name", 2, "found nothing, expected text", ""),
        ("name: Small", "name: Small\nname: Again", "$.name", 3, "the key 'name' twice", "line 2"),
        ("name: Small", "name: !secret Small", "$.name", 2, "the tag '!secret'", ""),
        ("name: Small", "name: Small\nwarn: 5", "$.warn", 3, "found 5, expected a list", ""),
        ("gaswitness: gaswitness/site/1\n", "", "$.gaswitness", 1, "the key 'gaswitness' is missing", ""),
    ],
)
def test_one_fault(old: str, new: str, path: str, line: int, found: str, hint: str) -> None:
    assert old in SMALL
    said = faults_of(SMALL.replace(old, new, 1))
    fault = next(fault for fault in said if fault.path == path)
    assert (fault.line, found in fault.message, hint in fault.hint) == (line, True, True), fault


def test_a_missing_key_points_at_its_record() -> None:
    fault = the_fault(SMALL.replace("    t90: 30 s\n", ""))
    assert (fault.path, fault.line) == ("$.detectors[0].t90", 6)
    assert fault.hint == "for example t90: 30 s"


def test_refused_entries_do_not_make_a_list_too_short() -> None:
    assert [fault.path for fault in faults_of(SMALL.replace("t90: 30 s", "t90: 30"))] == ["$.detectors[0].t90"]
    empty = the_fault(SMALL[: SMALL.index("detectors:")] + "detectors: []\n")
    assert (empty.path, empty.message) == ("$.detectors", "found a list, expected at least 1 entry")


MATRIX = """\
posts: [{tag: P, name: Post}]
effects: [{tag: E, name: Lamp, kind: lamp, post: P}]
groups: [{tag: G, members: [D.low], need: 1}]
matrix: [{causes: [G, D.fault], effect: E, within: 5 s}]
links:
  - url: modbus-tcp://192.0.2.1:502
    registers: [{signal: D.reading, address: 0}]
    bits: [{signal: E.on, address: 0}]
"""


@pytest.mark.parametrize(
    ("old", "new", "path", "words"),
    [
        ("post: P}", "post: Q}", "$.effects[0].post", "expected the tag of a post"),
        ("[D.low]", "[D.hihg]", "$.groups[0].members[0]", "expected an alarm point"),
        ("[D.low]", "[D.low, D.low]", "$.groups[0].members[1]", "a second time"),
        ("need: 1", "need: 2", "$.groups[0].need", "found 2 of 1 members"),
        ("[G, D.fault]", "[G, X.fault]", "$.matrix[0].causes[1]", "expected `TAG.point`"),
        ("[G, D.fault]", "[]", "$.matrix[0].causes", "found no cause"),
        ("[G, D.fault]", "[G, G]", "$.matrix[0].causes[1]", "a second time"),
        ("effect: E", "effect: EE", "$.matrix[0].effect", "expected the tag of an effect"),
        ("tag: E,", "tag: D,", "$.effects[0].tag", "'D' a second time"),
        ("signal: D.reading", "signal: D.low", "$.links[0].registers[0].signal", "the reading of a detector"),
        ("signal: E.on", "signal: E.off", "$.links[0].bits[0].signal", "`EFFECT.on`"),
        ("signal: E.on, ", "signal: E.on, bit: 3, ", "$.links[0].bits[0].bit", "a bit of a coil"),
        ("signal: E.on, ", "signal: E.on, function: 3, ", "$.links[0].bits[0]", "found no `bit`"),
        (
            "address: 0}]\n    bits",
            "address: 0, unit: '%LFL'}]\n    bits",
            "$.links[0].registers[0].unit",
            "found %LFL",
        ),
        ("kind: lamp,", "kind: lamp, channel: C9,", "$.effects[0].channel", "one of the panel's `channels`"),
        ("name: Post}", "name: Post, area: Z}", "$.posts[0].area", "expected the tag of an area"),
        ("posts:", "openings: [{a: A, b: Z, flow: 1 m3/h}]\nposts:", "$.openings[0].b", "or `outside`"),
        ("posts:", "panel: {area: Z}\nposts:", "$.panel.area", "expected the tag of an area"),
        ("posts:", "channels: [C1, C1]\nposts:", "$.channels[1]", "'C1' a second time"),
    ],
)
def test_a_name_that_stands_for_nothing_or_for_two(old: str, new: str, path: str, words: str) -> None:
    load_site(SMALL + MATRIX, "site.yaml")
    assert old in MATRIX
    said = faults_of(SMALL + MATRIX.replace(old, new, 1))
    assert [fault.path for fault in said if words in fault.message] == [path], said


NETWORKS = """\
posts: [{tag: P, name: Post}]
effects: [{tag: E, name: Lamp, kind: lamp, post: P}]
matrix: [{causes: [D.low], effect: E, within: 5 s}]
links:
  - url: bacnet://192.0.2.1
    objects:
      - {signal: D.reading, object: analog-input:1}
      - {signal: E.on, object: multi-state-value:2, on_values: [2, 3]}
  - url: mqtts://192.0.2.1
    topics:
      - {signal: D.fault, topic: a/b, pointer: /x, on_values: [bad]}
"""


@pytest.mark.parametrize(
    ("old", "new", "path", "words"),
    [
        ("D.reading", "X.reading", "$.links[0].objects[0].signal", "the reading of a detector"),
        ("E.on", "E.off", "$.links[0].objects[1].signal", "`TAG.reading`, `TAG.point`"),
        ("D.fault", "D.falt", "$.links[1].topics[0].signal", "`EFFECT.inhibited`"),
        (
            "analog-input:1",
            "analogue-input:1",
            "$.links[0].objects[0].object",
            "an analog, binary or multi-state input",
        ),
        ("analog-input:1", "'analog-input,1'", "$.links[0].objects[0].object", "with its instance"),
        ("analog-input:1", "analog-input:4194303", "$.links[0].objects[0].object", "4194302 or less"),
        (":1}", ":1, unit: '%LFL'}", "$.links[0].objects[0].unit", "its lower flammable limit"),
        (":1}", ":1, unit: volts}", "$.links[0].objects[0].unit", "expected 'ppm'"),
        (":1}", ":1, flag: alarm}", "$.links[0].objects[0].flag", "expected 'in-alarm'"),
        ("[2, 3]", "[two]", "$.links[0].objects[1].on_values[0]", "a whole number"),
        ("a/b", "a/+", "$.links[1].topics[0].topic", "without the wildcards"),
        ("a/b", "''", "$.links[1].topics[0].topic", "the name of one topic"),
        ("/x", "x", "$.links[1].topics[0].pointer", "RFC 6901"),
        ("/x", "/x~2", "$.links[1].topics[0].pointer", "RFC 6901"),
        ("mqtts://", "mqtts://me:spring-tide@", "$.links[1].url", "a user or a password"),
    ],
)
def test_faults_of_objects_and_topics(old: str, new: str, path: str, words: str) -> None:
    load_site(SMALL + NETWORKS, "site.yaml")
    assert old in NETWORKS
    said = faults_of(SMALL + NETWORKS.replace(old, new, 1))
    assert [fault.path for fault in said if words in fault.message] == [path], said
    assert "spring-tide" not in str(said)


def test_references_are_told_beside_faults_of_values() -> None:
    said = faults_of(SMALL.replace("t90: 30 s", "t90: 30") + MATRIX.replace("post: P}", "post: Q}"))
    assert {fault.path for fault in said} == {"$.detectors[0].t90", "$.effects[0].post"}


@pytest.mark.parametrize(
    ("name", "key"), [("R-290", "C3H8"), ("propane", "C3H8"), ("r-717", "NH3"), ("carbon dioxide", "CO2")]
)
def test_gases_go_by_any_usual_name(name: str, key: str) -> None:
    assert load_site(SMALL.replace("C3H8", name), "site.yaml").detector("D").gas == key


def unreadable(data: bytes) -> Fault:
    with pytest.raises(Unreadable) as caught:
        site_from_bytes(data, "site.yaml")
    (fault,) = caught.value.faults
    return fault


@pytest.mark.parametrize(
    ("data", "line", "words"),
    [
        (b"", None, "empty file"),
        (b"# only a comment\n", None, "empty file"),
        (b"- a\n- b\n", 1, "no keys at the top"),
        (b"just words", 1, "no keys at the top"),
        (b"a: 1\n\tb: 2\n", 2, "a tab at the start of a line"),
        (b"a: 1\nb: [1, 2\nc: 3\n", 3, "not YAML"),
        (b"a: 'x\n", 2, "not YAML"),
        (b"a: 1\n---\nb: 2\n", 2, "second document"),
        (b"a: 1\nb: \xe4\n", 2, "byte 0xe4, which is not UTF-8"),
        (b"a: *nobody\n", 1, "not YAML"),
        (b"a: \x00\n", None, "not YAML"),
        (b"gaswitness: gaswitness/site/9\n", 1, "expected 'gaswitness/site/1'"),
        (b"a: " + b"[" * 100 + b"]" * 100, None, "deeper"),
        (b"a: " + b"[" * 100_000, None, "deeper"),
        (b"a: " + b"x" * 3_000_000, None, "characters"),
        (b"x" * 9_000_000, None, "bytes"),
    ],
)
def test_no_site_at_all_is_one_clear_fault(data: bytes, line: int | None, words: str) -> None:
    fault = unreadable(data)
    assert words in fault.message, fault
    if line is not None:
        assert fault.line == line, fault


def test_aliases_that_unfold_without_end() -> None:
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    lines += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]" for n in range(1, 9)]
    assert "once aliases are unfolded" in unreadable("\n".join(lines).encode()).message


def test_an_alias_within_itself() -> None:
    assert "deeper" in unreadable(b"a: &a [*a]\n").message


def test_a_byte_order_mark_is_skipped() -> None:
    assert site_from_bytes(b"\xef\xbb\xbf" + SMALL.encode(), "site.yaml").name == "Small"


class TestLowerFlammableLimit:
    """Propane: 1.7 %vol in IEC 60079-20-1:2010, 2.1 %vol in NFPA 497:2008 (as tabulated in the library chemicals)."""

    TEXT = SMALL.replace("set: 2000 ppm, deadband: 10 % of set", "set: 20 %LFL, deadband: 2 %LFL")

    @pytest.mark.parametrize(("limit", "set_ppm"), [("1.7 %vol", 3400.0), ("2.1 %vol", 4200.0)])
    def test_is_the_detectors_own(self, limit: str, set_ppm: float) -> None:
        text = self.TEXT.replace("    alarms:", f"    lfl: {{level: {limit}, source: a standard}}\n    alarms:")
        point = load_site(text, "site.yaml").detector("D").alarm("low")
        assert point.set_ppm == pytest.approx(set_ppm, rel=1e-12)
        assert point.clear_ppm(10_000.0) == pytest.approx(0.9 * set_ppm, rel=1e-12)

    def test_is_never_guessed(self) -> None:
        faults = faults_of(self.TEXT)
        assert [fault.path.rpartition(".")[2] for fault in faults] == ["set", "deadband"]
        assert all("lower flammable limit" in fault.message and "lfl:" in fault.hint for fault in faults)

    def test_needs_its_source(self) -> None:
        text = self.TEXT.replace("    alarms:", "    lfl: {level: 1.7 %vol}\n    alarms:")
        assert the_fault(text).path == "$.detectors[0].lfl.source"

    def test_is_needed_to_show_readings_in_it(self) -> None:
        fault = the_fault(SMALL.replace("    t90:", "    unit: '%LFL'\n    t90:"))
        assert fault.path == "$.detectors[0].unit"
