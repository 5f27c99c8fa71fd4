"""The page of releases in a real browser: offline, light and dark, narrow and wide, for everybody."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from gaswitness.cli.main import app
from support.boards import DESK, PHONE, browser, person
from support.for_everybody import faults_of, too_wide


@pytest.mark.timeout(300)
def test_the_page_of_releases(repo: Path, output: Path) -> None:
    pytest.importorskip("bokeh")
    page_file = output / "release.html"
    site = str(repo / "examples" / "ravensmoor.yaml")
    made = CliRunner().invoke(app, ["release", site, "--scenarios", "2000", "--out", str(page_file), "--json"])
    assert made.exit_code == 0, made.output
    with browser() as opened:
        for size, scheme in ((PHONE, "light"), (DESK, "light"), (DESK, "dark")):
            page = person(opened, size, color_scheme=scheme, offline=True)
            asked: list[str] = []
            faults: list[str] = []
            page.on("request", lambda request, to=asked: to.append(request.url))
            page.on("pageerror", lambda error, to=faults: to.append(str(error)))
            page.goto(page_file.as_uri())
            page.wait_for_function("() => window.Bokeh && Bokeh.documents.some((one) => one.roots().length === 3)")
            page.wait_for_function("() => Bokeh.documents.every((one) => one.is_idle)")
            page.wait_for_timeout(200)
            paper = page.evaluate("() => Bokeh.documents[0].roots()[0].background_fill_color")
            assert paper == {"light": "#fbfbf9", "dark": "#1f1f1d"}[scheme]
            assert faults == []
            assert [url for url in asked if not url.startswith("file:")] == []
            assert faults_of(page, repo) == []
            assert too_wide(page, min(size["width"], 320) if size is PHONE else size["width"]) == []
            page.set_viewport_size(size)
            page.screenshot(path=output / f"release-{size['width']}-{scheme}.png", full_page=True)
            page.context.close()
