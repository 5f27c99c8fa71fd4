"""What every answer carries, and what is turned away before anything looks at it."""

from __future__ import annotations

import pytest

from gaswitness.web.access import MAX_BODY, Pace


@pytest.mark.parametrize("path", ["/", "/nothing/here", "/static/board.css", "/people", "/join/guessed"])
async def test_every_answer_carries_the_headers(visit, path):
    async with visit() as browser:
        answer = await browser.get(path)
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "script-src 'self';" in policy
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["referrer-policy"] == "same-origin"
    assert "server" not in answer.headers


async def test_pages_hold_no_script_and_no_style_of_their_own(joined, live):
    async with joined() as browser:
        for path in ("/", "/live", "/people", "/site/ravensmoor.yaml"):
            text = (await browser.get(path)).text
            tags = [tag.split(">")[0] for tag in text.split("<script")[1:]]
            assert all('src="/static/' in tag or 'type="application/json"' in tag for tag in tags), path
            assert "<style" not in text
            assert " style=" not in text
            assert " onclick=" not in text


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"host": "evil.example"}, 400),
        ({"origin": "http://evil.example"}, 403),
        ({"sec-fetch-site": "cross-site"}, 403),
        ({"content-length": str(MAX_BODY + 1)}, 413),
        ({"content-length": "many"}, 400),
    ],
)
async def test_turned_away_at_the_door(joined, live, headers, status):
    async with joined() as browser:
        answer = await browser.post("/live/stop", data={"csrf": browser.csrf, "outcome": "aborted"}, headers=headers)
        assert answer.status_code == status
    assert live.wishes.empty()


async def test_a_body_that_does_not_say_how_long_it_is_is_cut_off(joined, live):
    async def endless():
        for _ in range(40):
            yield b"x" * 4096

    async with joined() as browser:
        headers = {"content-type": "application/x-www-form-urlencoded"}
        answer = await browser.post("/live/note", content=endless(), headers=headers)
        assert answer.status_code >= 400
    assert live.wishes.empty()


async def test_who_knocks_too_often_has_to_wait(board, visit):
    board.knocks = Pace(burst=3, per_s=0.0)
    async with visit() as browser:
        answers = [(await browser.post("/join", data={"token": "guessed", "name": "x"})).status_code for _ in range(5)]
    assert answers == [403, 403, 403, 429, 429]


async def test_who_asks_too_often_has_to_wait(board, visit):
    board.requests = Pace(burst=2, per_s=0.0)
    async with visit() as browser:
        assert [(await browser.get("/")).status_code for _ in range(3)] == [200, 200, 429]


async def test_a_defect_of_ours_is_a_number_for_the_page_and_a_line_in_the_log(board, joined, monkeypatch, caplog):
    def broken():
        raise RuntimeError("secret of the inside")

    async with joined() as browser:
        monkeypatch.setattr(board.folder, "sites", broken)
        answer = await browser.get("/")
    assert answer.status_code == 500
    assert "secret" not in answer.text
    assert "Traceback" not in answer.text
    number = caplog.records[-1].args[0]
    assert number in answer.text


async def test_what_is_malformed_is_not_repeated(joined, live):
    async with joined("witness", run="R1", post="AT-PANEL") as browser:
        answer = await browser.post(
            "/post/marks",
            content=b'{"<script>": ',
            headers={"x-csrf": browser.csrf, "content-type": "application/json"},
        )
    assert answer.status_code in (400, 404, 422)
    assert "<script>" not in answer.text


async def test_names_are_words_and_nothing_else(board, joined):
    async with joined(name="<script>alert(1)</script>") as browser:
        text = (await browser.get("/people")).text
    assert "<script>alert" not in text
    assert "&lt;script&gt;alert" in text


@pytest.mark.parametrize(
    "name", ["..%2f..%2fetc%2fpasswd", "%2e%2e", "ravensmoor.yaml", "board.key.pem", ".gaswitness-board.json"]
)
async def test_only_papers_plans_and_ledgers_of_the_folder_are_handed_out(board, joined, name):
    (board.folder.path / "board.key.pem").write_text("secret")
    (board.folder.path / ".gaswitness-board.json").write_text("secret")
    async with joined() as browser:
        answer = await browser.get(f"/file/{name}")
    assert answer.status_code in (400, 404)
    assert "secret" not in answer.text


@pytest.mark.parametrize("back", ["//evil.example", "/\\evil.example", "https://evil.example"])
async def test_choosing_a_language_leads_nowhere_else(visit, back):
    async with visit() as browser:
        answer = await browser.get("/language/de", params={"back": back})
    assert answer.headers["location"] == "/"


@pytest.mark.parametrize(
    ("language", "said"), [("en", "Too often; wait a little."), ("de", "Zu oft; bitte etwas warten.")]
)
async def test_who_is_turned_away_is_told_in_the_own_language(board, visit, language, said):
    board.requests = Pace(burst=0, per_s=0.0)
    async with visit(language=language) as browser:
        assert (await browser.get("/")).text == said
