"""The page of releases in a real browser: offline, light and dark, narrow and wide, for everybody."""

from __future__ import annotations

import re
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


TEXTS = """() => {
  const found = [];
  const walk = (node) => {
    if (node.nodeType === Node.TEXT_NODE) found.push(node.textContent);
    if (node.shadowRoot) walk(node.shadowRoot);
    if (!["SCRIPT", "STYLE"].includes(node.nodeName)) node.childNodes.forEach(walk);
  };
  walk(document.body);
  return found.join(" ");
}"""
"""All text of the page, that of the library's own trees too."""


@pytest.mark.timeout(300)
@pytest.mark.parametrize(
    ("language", "told"), [("en", r"any alarm: \d+\.\d % by \d+ s"), ("de", r"irgendein Alarm: \d+,\d\s% bis \d+\ss")]
)
def test_who_points_at_a_line_reads_it(repo: Path, output: Path, language: str, told: str) -> None:
    pytest.importorskip("bokeh")
    page_file = output / f"release-read-{language}.html"
    arguments = ["release", str(repo / "examples" / "ravensmoor.yaml"), "--scenarios", "500", "--out", str(page_file)]
    assert CliRunner().invoke(app, [*arguments, "--language", language, "--json"]).exit_code == 0
    with browser() as opened:
        page = person(opened, DESK, color_scheme="light", offline=True)
        page.goto(page_file.as_uri())
        page.wait_for_function("() => window.Bokeh && Bokeh.documents.some((one) => one.roots().length === 3)")
        page.wait_for_function("() => Bokeh.documents.every((one) => one.is_idle)")
        page.locator(".picture").first.scroll_into_view_if_needed()
        box = page.locator(".picture").first.bounding_box()
        assert box is not None
        read = ""
        for down in range(int(box["height"])):  # at the right end all lines lie flat
            page.mouse.move(box["x"] + 0.9 * box["width"], box["y"] + down)
            read = page.evaluate(TEXTS)
            if re.search(told, read):
                break
        assert re.search(told, read), read
