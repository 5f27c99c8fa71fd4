"""Somebody on the local network who should not: with no access, another's, another role, or for another run."""

from __future__ import annotations

import asyncio
import html.parser
import logging
import re
import time

import pytest
from fastapi.routing import APIRoute

from gaswitness.evidence.late import late_path
from gaswitness.history.files import write_whole
from gaswitness.web import guard
from gaswitness.web.access import COOKIE, JOIN_S, Access, Pace, plain
from gaswitness.web.app import make_app
from gaswitness.web.inbox import SERVER
from support.ledgers import Scene, criterion, small_plan
from support.poison import POISON, poisoned_site

OPEN = {"/", "/join/{token}", "/join", "/language/{language}", "/outside", "/sw.js", "/board.crt"}
"""Routes for people who have not joined; what they see there is how to."""
FOR_ALL = {"/live", "/events", "/leave"}
FOR_WITNESSES = {"/post", "/post/clock", "/post/events", "/post/marks"}


def routes(board) -> list[tuple[str, str, str]]:
    """Method, path as it is written, and an address of that kind, for every route of every room that the board has."""
    found = []
    for included in make_app(board).routes:
        for route in getattr(getattr(included, "original_router", None), "routes", ()):
            assert isinstance(route, APIRoute)
            for method in sorted(route.methods - {"HEAD", "OPTIONS"}):
                found.append((method, route.path, re.sub(r"\{[^}]+\}", "x.ledger.jsonl", route.path)))
    return found


# --- without an access, with another role ---


async def test_whoever_has_not_joined_gets_nothing_from_any_route(board, visit, live):
    swept = 0
    async with visit() as browser:
        for method, path, address in routes(board):
            if path in OPEN:
                continue
            answer = await browser.request(method, address, data={"csrf": "guessed"} if method == "POST" else None)
            assert answer.status_code == 401, (method, path)
            swept += 1
    assert swept >= 18
    assert live.wishes.empty()


@pytest.mark.parametrize("role", ["witness", "reader"])
async def test_no_role_reaches_the_routes_of_another(board, joined, live, role):
    mine = OPEN | FOR_ALL | (FOR_WITNESSES if role == "witness" else set())
    swept = 0
    async with joined(role, run="R1", post="AT-PANEL") as browser:
        for method, path, address in routes(board):
            if path in mine:
                continue
            data = {"csrf": browser.csrf} if method == "POST" else None
            answer = await browser.request(method, address, data=data)
            assert answer.status_code == 403, (role, method, path)
            swept += 1
    assert swept >= 12
    assert live.wishes.empty()


@pytest.mark.parametrize("role", ["desk", "witness", "reader"])
async def test_nothing_is_changed_without_the_pages_own_token(board, joined, live, role):
    async with joined(role, run=None if role == "desk" else "R1", post="AT-PANEL") as browser, joined() as other:
        for method, path, address in routes(board):
            if method == "GET" or path == "/join":
                continue
            for token in ("", "guessed", other.csrf):
                answer = await browser.request(method, address, headers={"x-csrf": token}, data={"outcome": "aborted"})
                assert answer.status_code == 403, (role, method, path)
    assert live.wishes.empty()
    assert len(board.access.people()) == 2


# --- tokens ---


async def test_of_two_who_come_with_one_token_at_once_one_gets_in(board, visit):
    token = board.access.invite("desk", run=None)
    async with visit() as first, visit() as second:
        answers = await asyncio.gather(
            *(one.post("/join", data={"token": token, "name": "M. Kerr"}) for one in (first, second))
        )
    assert sorted(one.status_code for one in answers) == [303, 403]
    assert len(board.access.people()) == 1


async def test_a_token_that_is_too_old_opens_nothing(board, visit):
    token = board.access.invite("desk", run=None)
    board.access.now = lambda: time.time() + JOIN_S + 1
    async with visit() as browser:
        assert (await browser.get(f"/join/{token}")).status_code == 403
        assert (await browser.post("/join", data={"token": token, "name": "M. Kerr"})).status_code == 403


async def test_a_cookie_that_was_planted_before_joining_is_worth_nothing_afterwards(board, visit):
    async with visit() as browser, visit() as planter:
        browser.cookies.set(COOKIE, "planted")
        await browser.post("/join", data={"token": board.access.invite("desk", run=None), "name": "M. Kerr"})
        planter.cookies.set(COOKIE, "planted")
        assert (await planter.get("/people")).status_code == 401


async def test_joining_again_ends_the_access_from_before(board, joined, visit, live):
    async with joined("witness", run="R1", post="AT-PANEL") as browser, visit() as thief:
        before = browser.cookies[COOKIE]
        token = board.access.invite("witness", run="R1", post="AT-FAN")
        await browser.post("/join", data={"token": token, "name": "A. Lind"})
        thief.cookies.set(COOKIE, before)
        assert (await thief.get("/live")).status_code == 401
    assert [one.post for one in board.access.people()] == ["AT-FAN"]


def test_a_file_of_accesses_that_was_damaged_lets_nobody_in_and_stops_nothing(tmp_path, caplog):
    for damaged in (b"", b"{", b"[1]", b'[{"sid": "x"}]', b"\xff\xfe", b'{"a": 1}'):
        (tmp_path / "kept.json").write_bytes(damaged)
        assert Access(file=tmp_path / "kept.json").people() == ()
    assert "everybody has to join again" in caplog.text


# --- another run ---


def parcel(run: str, mark_id: str = "phone-mark-1", post: str = "DOOR") -> dict:
    at = {"load": "load-1", "own_ms": 1e5, "wall_ms": time.time() * 1e3}
    exchange = {"server": SERVER, "sent": at, "took_ms": 10, "server_s": time.monotonic()}
    mark = {"mark_id": mark_id, "at": at, "signal": "FAN.on", "on": True}
    return {"run": run, "post": post, "marks": [mark], "exchanges": [exchange]}


async def test_a_witness_of_one_run_sees_and_marks_nothing_of_another(board, joined, live):
    async with joined("witness", run="R0", post="AT-PANEL") as browser:
        for path in ("/post", "/live", "/events", "/post/events"):
            assert (await browser.get(path)).status_code == 403
        answer = await browser.post("/post/marks", json=parcel("R1"), headers={"x-csrf": browser.csrf})
        assert answer.status_code == 403
    assert live.hands._marks.empty()


async def test_a_phone_that_joins_the_next_run_may_deliver_what_it_held_of_the_last_one_and_no_more(
    board, joined, live
):
    """Of the run and post where it had an access, not of any other: nothing is lost, and nothing is opened."""
    plan = small_plan([criterion("effect", point="low", effect="FAN")])
    for run in ("R0", "R-OTHER"):
        (board.folder.path / f"{run}.ledger.jsonl").write_bytes(Scene(plan).mark("FAN.on", 20.0).written())
    async with joined("witness", run="R0", post="DOOR") as browser:
        token = board.access.invite("witness", run="R1", post="AT-PANEL")
        await browser.post("/join", data={"token": token, "name": "A. Lind"})
        headers = {"x-csrf": board.access.people()[-1].csrf}
        answer = await browser.post("/post/marks", json=parcel("R0"), headers=headers)
        assert answer.json()["receipts"][0]["state"] == "late"
        assert (await browser.post("/post/marks", json=parcel("R-OTHER"), headers=headers)).status_code == 403
        moved = parcel("R0", "phone-mark-2", post="ELSEWHERE")
        assert (await browser.post("/post/marks", json=moved, headers=headers)).status_code == 403
    kept = late_path(board.folder.path / "R0.ledger.jsonl").read_text()
    assert '"post":"DOOR"' in kept
    assert kept.count("\n") == 1


async def test_a_post_is_handed_over_by_name_and_the_record_says_so(board, joined, visit, live):
    async with joined("witness", run="R1", post="AT-PANEL", name="A. Lind"), joined() as desk, visit() as phone:
        (left,) = [one for one in board.access.people() if one.role == "witness"]
        fields = {"role": "witness", "post": "AT-FAN", "takes_over": left.sid}
        address = re.search(r"http://[\w.:]+/join/[\w-]+", (await desk.send_form("/people/invite", **fields)).text)
        assert "post of A. Lind" in (await phone.get(address[0])).text
        await phone.post("/join", data={"token": address[0].rpartition("/")[2], "name": "B. Moreau"})
        press = live.hands._marks.get_nowait()
        assert (press.witness, press.post, press.signal, press.on) == ("A. Lind", "AT-PANEL", "present", False)
        assert press.note == "handed over to B. Moreau"
        assert [one.name for one in board.access.people() if one.role == "witness"] == ["B. Moreau"]
        again = await desk.send_form("/people/invite", **fields)
        assert again.status_code == 409, "who has left has no post to hand over"
        (own,) = [one for one in board.access.people() if one.role == "desk"]
        assert (await desk.send_form("/people/invite", role="witness", takes_over=own.sid)).status_code == 409


# --- names of this machine ---


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "evil.example:8014",
        "127.0.0.1.evil.example",
        "[",
        "[::1",
        "a@evil.example",
        "",
        "localhost.evil",
    ],
)
async def test_a_name_that_was_rebound_to_this_machine_is_refused(joined, host):
    async with joined() as browser:
        answer = await browser.get("/", headers={"host": host})
        assert answer.status_code == 400
        assert "content-security-policy" in answer.headers


async def test_the_name_that_the_board_was_told_to_listen_on_is_its_own(board, visit):
    board.address = "http://rink-laptop.lan:8014"
    async with visit() as browser:
        assert (await browser.get("/", headers={"host": "rink-laptop.lan:8014"})).status_code == 200


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "http://[", "http://127.0.0.1:8015", "file://"])
async def test_a_page_from_elsewhere_changes_nothing(joined, live, origin):
    async with joined() as browser:
        answer = await browser.post(
            "/live/stop", data={"csrf": browser.csrf, "outcome": "aborted"}, headers={"origin": origin}
        )
        assert answer.status_code == 403
    assert live.wishes.empty()


# --- paths and files ---


@pytest.mark.parametrize(
    "name",
    ["..%2fkey.pem", "%2e%2e%2fkey.pem", "..%5ckey.pem", "/etc/passwd", ".hidden.ledger.jsonl", "%00", "a" * 5000],
)
@pytest.mark.parametrize("path", ["/file/{}", "/site/{}", "/result/{}", "/plan/{}/sheet"])
async def test_no_name_leads_out_of_the_folder(board, joined, path, name):
    (board.folder.path.parent / "key.pem").write_text("secret")
    (board.folder.path / ".hidden.ledger.jsonl").write_text("secret")
    async with joined() as browser:
        answer = await browser.get(path.format(name))
    assert answer.status_code in (400, 404, 422)
    assert "secret" not in answer.text


@pytest.mark.parametrize(
    "name", ["../key.json", "..\\key.json", "/etc/passwd", "", "ravensmoor.yaml", ".gaswitness-board.json"]
)
async def test_a_run_is_begun_of_a_plan_of_this_folder_only(board, joined, name):
    begun = []

    async def begin(start: object) -> None:
        begun.append(start)

    board.begin = begin
    (board.folder.path.parent / "key.json").write_text("{}")
    async with joined() as browser:
        for resume in ("", "yes"):
            answer = await browser.send_form("/run", name=name, resume=resume)
            assert answer.status_code == 400
    assert begun == []


@pytest.mark.parametrize("name", ['r1-"; evil=".pdf', "r1-Prüfung—ü.pdf", "r1-冷.evidence.zip"])
async def test_a_file_of_any_name_is_handed_out_under_it(board, joined, name):
    (board.folder.path / name).write_bytes(b"paper")
    async with joined() as browser:
        answer = await browser.get("/file/" + name)
    assert (answer.status_code, answer.content) == (200, b"paper")
    assert answer.headers["content-disposition"].startswith("attachment; filename")
    assert '; evil="' not in answer.headers["content-disposition"]


# --- too much, too slow, too often ---


async def test_who_sends_a_body_too_slowly_is_cut_off(joined, live, monkeypatch):
    """A byte now and then does not help: what counts is when all of it has come."""
    monkeypatch.setattr(guard, "BODY_S", 0.2)

    async def dripping():
        for _ in range(500):
            yield b"x"
            await asyncio.sleep(0.02)

    async with joined() as browser:
        headers = {"content-type": "application/x-www-form-urlencoded"}
        answer = await browser.post("/live/note", content=dripping(), headers=headers)
        assert answer.status_code == 408
        assert "content-security-policy" in answer.headers
    assert live.wishes.empty()


async def test_a_form_of_ten_thousand_fields_is_bad_input_and_no_defect(joined, caplog):
    async with joined() as browser:
        answer = await browser.post(
            "/live/note", content="a=1&" * 10_000, headers={"content-type": "application/x-www-form-urlencoded"}
        )
    assert answer.status_code == 400
    assert not caplog.records


async def test_whoever_knocks_under_ever_other_names_of_his_own_address_is_still_one(board, visit):
    board.knocks = Pace(burst=3, per_s=0.0)
    async with visit() as browser:
        answers = [
            (
                await browser.post(
                    "/join", data={"token": "guessed", "name": "x"}, headers={"x-forwarded-for": f"192.0.2.{n}"}
                )
            )
            for n in range(5)
        ]
    assert [one.status_code for one in answers] == [403, 403, 403, 429, 429]


# --- words that are more than words ---


def test_no_character_of_a_name_moves_a_terminals_cursor_or_turns_a_line_round():
    assert plain("a\x1b[2J\r\nb\u202ec\x00\u2028d\x9b") == "a [2J  b c  d "


async def test_names_and_notes_reach_the_record_without_control_characters(board, joined, live):
    async with joined(name="Ines\x1b[2J\r\nroot: all well") as browser:
        assert board.access.people()[-1].name == "Ines [2J root: all well"
        await browser.send_form("/live/note", text="seen\x1b]0;x\x07 twice")
    wish = live.wishes.get_nowait()
    assert wish.text == "seen ]0;x  twice"


async def test_no_line_of_the_log_is_written_by_whoever_asks(board, joined, monkeypatch, caplog):
    def broken(name: str) -> None:
        raise RuntimeError("inside")

    async with joined() as browser:
        monkeypatch.setattr(board.folder, "download", broken)
        answer = await browser.get("/file/x%0aWARNING everything is well")
    assert answer.status_code == 500
    with caplog.at_level(logging.ERROR):
        assert "\n" not in caplog.records[-1].getMessage()


class Tags(html.parser.HTMLParser):
    """What a browser would make of a page: elements that nobody put there, and handlers."""

    def __init__(self) -> None:
        super().__init__()
        self.planted: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = dict(attrs)
        if tag == "planted" or any(name.startswith("on") for name in names):
            self.planted.append(self.get_starttag_text() or tag)
        if any(
            (value or "").strip().lower().startswith("javascript:")
            for name, value in attrs
            if name in ("href", "src", "action")
        ):
            self.planted.append(self.get_starttag_text() or tag)


async def test_words_of_a_site_are_words_on_every_page(board, joined, live):
    plan = small_plan(
        [criterion("effect", point="low", effect="FAN", upper=5.0, unit="s", text=POISON)], site=poisoned_site()
    )
    live.plan = plan
    scene = Scene(plan).gas(100.0, 340.0).mark("FAN.on", 130.0, witness=POISON, note=POISON)
    scene = scene.mark("other", 140.0, witness=POISON, note=POISON).mark("FAN.on", 150.0, corrects="m1")
    ledger = scene.readings(lambda t_s: 9000.0, 0.0, 400.0).written("aborted")
    (board.folder.path / "R7.ledger.jsonl").write_bytes(ledger)
    write_whole(board.folder.path / "p.json", plan.model_dump_json().encode())
    write_whole(board.folder.path / f"{'<planted onload=x>'}.yaml", b"gaswitness: gaswitness/site/1\nname: <planted>\n")
    seen = 0
    async with joined(name=POISON) as browser, joined("witness", run="R1", post="DOOR", name=POISON) as phone:
        pages = [
            (browser, path)
            for path in ("/", "/live", "/people", "/result/R7.ledger.jsonl", "/site/%3Cplanted%20onload=x%3E.yaml")
        ]
        for one, path in [*pages, (browser, "/site/ravensmoor.yaml"), (phone, "/post"), (phone, "/live")]:
            answer = await one.get(path)
            assert answer.status_code in (200, 400), (path, answer.text[-300:])
            tags = Tags()
            tags.feed(answer.text)
            assert tags.planted == [], path
            assert "49" not in re.findall(r"planted[^<]{0,60}", answer.text), path
            seen += "planted" in answer.text
    assert seen >= 6
