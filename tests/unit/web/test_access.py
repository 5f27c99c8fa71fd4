"""Joining, sessions, roles: what is used up, too old, somebody else's, or forged opens nothing."""

from __future__ import annotations

from pathlib import Path

import pytest

from gaswitness.web.access import COOKIE, JOIN_S, SESSION_S, Access, Pace, Refused, foreign_origin, own_host


class Time:
    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def time() -> Time:
    return Time()


@pytest.fixture
def access(time: Time) -> Access:
    return Access(now=time)


def test_a_token_opens_one_session_and_is_then_worth_nothing(access):
    token = access.invite("witness", run="R1", post="AT-PANEL")
    cookie, session = access.join(token, "  A.   Lind ", "phone")
    assert (session.role, session.run, session.post, session.name) == ("witness", "R1", "AT-PANEL", "A. Lind")
    assert access.session(cookie, "phone") == session
    with pytest.raises(Refused, match=r"join\.refused"):
        access.join(token, "Somebody else", "phone")


def test_looking_at_an_invitation_does_not_use_it_up(access):
    token = access.invite("reader", run="R1")
    assert access.invitation(token).role == "reader"
    assert access.join(token, "A. Lind", "phone")[1].role == "reader"


@pytest.mark.parametrize(("later_s", "good"), [(JOIN_S - 1, True), (JOIN_S + 1, False)])
def test_a_token_lasts_a_quarter_of_an_hour(access, time, later_s, good):
    token = access.invite("witness", run="R1")
    time.now_s += later_s
    if good:
        access.join(token, "A. Lind", "phone")
    else:
        with pytest.raises(Refused):
            access.join(token, "A. Lind", "phone")


def test_nobody_joins_without_a_name_and_the_token_stays_good(access):
    token = access.invite("witness", run="R1")
    with pytest.raises(Refused, match=r"join\.name_missing"):
        access.join(token, "   ", "phone")
    access.join(token, "A. Lind", "phone")


def test_a_session_ends_after_a_working_day(access, time):
    cookie, _ = access.join(access.invite("desk", run=None), "M. Kerr", "laptop")
    time.now_s += SESSION_S + 1
    with pytest.raises(Refused, match=r"access\.expired"):
        access.session(cookie, "laptop")
    assert access.people() == ()


def test_a_cookie_that_turns_up_in_another_browser_is_refused(access):
    cookie, _ = access.join(access.invite("desk", run=None), "M. Kerr", "laptop")
    with pytest.raises(Refused, match=r"access\.stolen"):
        access.session(cookie, "somebody else's")


def test_handing_over_a_post_ends_the_session_of_whoever_stood_there(access):
    old, before = access.join(access.invite("witness", run="R1", post="AT-FANS"), "A. Lind", "phone")
    token = access.invite("witness", run="R1", post="AT-FANS", takes_over=before.sid)
    assert access.session(old, "phone") == before, "not before the other one has joined"
    new, after = access.join(token, "B. Moreau", "phone 2")
    assert (access.session(new, "phone 2").post, after.name) == ("AT-FANS", "B. Moreau")
    with pytest.raises(Refused):
        access.session(old, "phone")


def test_sessions_outlive_a_restart_and_no_secret_is_kept(tmp_path: Path):
    file = tmp_path / "sessions.json"
    first = Access(file=file)
    token = first.invite("witness", run="R1", post="AT-PANEL")
    unused = first.invite("desk", run=None)
    cookie, session = first.join(token, "A. Lind", "phone")
    kept = file.read_text()
    assert cookie not in kept
    assert token not in kept
    again = Access(file=file)
    assert again.session(cookie, "phone") == session
    with pytest.raises(Refused):
        again.invitation(unused)


def test_a_session_that_was_ended_stays_ended_after_a_restart(tmp_path: Path):
    file = tmp_path / "sessions.json"
    first = Access(file=file)
    cookie, session = first.join(first.invite("reader", run="R1"), "A. Lind", "phone")
    first.end(session.sid)
    with pytest.raises(Refused):
        Access(file=file).session(cookie, "phone")


async def test_joining_over_the_page_gives_a_cookie_that_scripts_and_other_sites_cannot_reach(board, visit):
    board.access.secure = True
    token = board.access.invite("desk", run=None)
    async with visit() as browser:
        assert (await browser.get(f"/join/{token}")).status_code == 200
        answer = await browser.post("/join", data={"token": token, "name": "M. Kerr"})
        cookie = answer.headers["set-cookie"].lower()
        assert answer.status_code == 303
        for part in ("httponly", "samesite=strict", "secure", "path=/"):
            assert part in cookie
        assert (await browser.get(f"/join/{token}")).status_code == 403
        assert (await browser.post("/join", data={"token": token, "name": "M. Kerr"})).status_code == 403


@pytest.mark.parametrize("path", ["/people", "/site/ravensmoor.yaml", "/live", "/events", "/file/plan.json"])
async def test_without_a_session_there_is_nothing_to_see(visit, path):
    async with visit() as browser:
        answer = await browser.get(path)
        assert answer.status_code == 401
        assert "Ravensmoor" not in answer.text


@pytest.mark.parametrize("role", ["witness", "reader"])
@pytest.mark.parametrize("path", ["/people", "/site/ravensmoor.yaml", "/result/R1.ledger.jsonl", "/file/plan.json"])
async def test_the_desk_is_for_the_desk(joined, live, role, path):
    async with joined(role, run="R1") as browser:
        assert (await browser.get(path)).status_code == 403


@pytest.mark.parametrize(
    "path", ["/live/stop", "/live/answer", "/live/note", "/live/hand-over", "/people/invite", "/run"]
)
async def test_a_reader_changes_nothing(joined, live, path):
    async with joined("reader", run="R1") as browser:
        assert (await browser.send_form(path, outcome="aborted")).status_code == 403
    assert live.wishes.empty()


async def test_an_access_for_another_run_shows_nothing_of_this_one(joined, live):
    async with joined("reader", run="R0") as browser:
        answer = await browser.get("/live")
        assert answer.status_code == 403
        assert "another run" in answer.text


@pytest.mark.parametrize("token", [None, "", "guessed"])
async def test_a_request_without_the_pages_own_token_is_refused(joined, live, token):
    async with joined() as browser:
        fields = {"outcome": "aborted"} | ({} if token is None else {"csrf": token})
        assert (await browser.post("/live/stop", data=fields)).status_code == 403
        assert (await browser.post("/live/stop", data=fields, headers={"x-csrf": "guessed"})).status_code == 403
    assert live.wishes.empty()


async def test_a_cookie_from_another_browser_is_told_so(joined, visit):
    async with joined() as browser, visit(agent="another") as thief:
        thief.cookies.set(COOKIE, browser.cookies[COOKIE])
        answer = await thief.get("/people")
        assert answer.status_code == 401
        assert "another browser" in answer.text


async def test_leaving_ends_the_session(joined):
    async with joined() as browser:
        cookie = browser.cookies[COOKIE]
        assert (await browser.send_form("/leave")).status_code == 200
        browser.cookies.set(COOKIE, cookie)
        assert (await browser.get("/people")).status_code == 401


async def test_an_invitation_carries_a_code_with_address_and_token(board, joined, live):
    async with joined() as browser:
        answer = await browser.send_form("/people/invite", role="witness", post="AT-PANEL")
        address = answer.text.split(f"{board.address}/join/")[1].split("<")[0]
        assert "<svg" in answer.text
        invited = board.access.invitation(address)
        assert (invited.role, invited.run, invited.post) == ("witness", "R1", "AT-PANEL")


async def test_a_witness_is_invited_to_a_run_or_not_at_all(joined):
    async with joined() as browser:
        assert (await browser.send_form("/people/invite", role="witness")).status_code == 409
        assert (await browser.send_form("/people/invite", role="owner")).status_code == 400


def test_a_bucket_runs_dry_and_fills_again():
    time = Time()
    pace = Pace(burst=3, per_s=0.5, now=time)
    assert [pace.allows("a") for _ in range(4)] == [True, True, True, False]
    assert pace.allows("b")
    time.now_s += 2.0
    assert [pace.allows("a") for _ in range(2)] == [True, False]


@pytest.mark.parametrize(
    ("host", "own"),
    [("127.0.0.1:8014", True), ("[::1]:8014", True), ("192.0.2.7", True), ("evil.example:8014", False), ("", False)],
)
def test_a_foreign_name_for_this_machine_was_rebound_to_it(host, own):
    assert own_host(host) is own


@pytest.mark.parametrize(
    ("headers", "foreign"),
    [
        ({"host": "192.0.2.7:8014", "origin": "http://192.0.2.7:8014"}, False),
        ({"host": "192.0.2.7:8014", "origin": "http://evil.example"}, True),
        ({"host": "192.0.2.7:8014", "origin": "null"}, True),
        ({"host": "192.0.2.7:8014", "sec-fetch-site": "cross-site"}, True),
        ({"host": "192.0.2.7:8014", "sec-fetch-site": "same-origin"}, False),
        ({"host": "192.0.2.7:8014"}, False),
    ],
)
def test_a_page_of_another_site_is_told_by_its_origin(headers, foreign):
    assert foreign_origin(headers) is foreign
