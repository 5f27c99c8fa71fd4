"""What keeps people out of a page: faults by published rules, what does not fit, what cannot be reached."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Any

OWN_RULES = """() => {
  const faults = [];
  const named = (one) => (one.getAttribute("aria-label") || one.textContent || one.title || "").trim();
  for (const one of document.querySelectorAll("button, a[href]"))
    if (one.checkVisibility() && !named(one)) faults.push("no name: " + one.outerHTML);
  for (const one of document.querySelectorAll("input:not([type=hidden]), select, textarea"))
    if (!one.labels?.length && !one.getAttribute("aria-label")) faults.push("no label: " + one.outerHTML);
  if (!document.documentElement.lang) faults.push("no language");
  if (document.querySelectorAll("main").length !== 1) faults.push("not one main");
  return faults;
}"""
AXE = """async () => (await axe.run(document, { rules: { "target-size": { enabled: true } } })).violations"""
SMALL = """() => [...document.querySelectorAll("#post button, #post input, .undo-bar button")]
  .filter((one) => one.offsetParent !== null)
  .map((one) => [one.textContent.trim(), ...["width", "height"].map((side) => one.getBoundingClientRect()[side])])
  .filter(([, width, height]) => width < 44 || height < 44).map((one) => one.join(" "))"""
FOCUS = """() => {
  const one = document.activeElement;
  if (!one || one === document.body) return null;
  const { outlineStyle, outlineWidth } = getComputedStyle(one);
  const name = one.tagName + "#" + one.id + " " + one.textContent.trim().slice(0, 30);
  return [name, outlineStyle !== "none" && parseFloat(outlineWidth) >= 2];
}"""


def faults_of(page: Any, repo: Path) -> list[str]:
    """Serious faults by axe-core where `make services` brought it, else by our own few rules."""
    rules = repo / ".services" / "axe.min.js"
    if not rules.is_file():
        return [str(one) for one in page.evaluate(OWN_RULES)]
    if not page.evaluate("() => Boolean(window.axe)"):
        page.evaluate(rules.read_text(encoding="utf-8"))
    return [
        f"{one['id']}: {one['help']}: {one['nodes'][0]['html'][:160]}"
        for one in page.evaluate(AXE)
        if one["impact"] in ("serious", "critical")
    ]


def too_wide(page: Any, width: int, height: int = 640) -> list[str]:
    """What sticks out where the window is so wide (WCAG 2.2, 1.4.10); what scrolls by itself may."""
    page.set_viewport_size({"width": width, "height": height})
    from playwright.sync_api import TimeoutError as TooLong

    with contextlib.suppress(TooLong):  # a chart takes its new size some time after the window
        page.wait_for_function("() => document.documentElement.scrollWidth <= innerWidth", timeout=5_000)
        return []
    return [
        str(one)
        for one in page.evaluate(
            """() => [...document.querySelectorAll("main *")]
              .filter((one) => !one.closest(".sideways") && one.getBoundingClientRect().right > innerWidth + 1)
              .slice(0, 4).map((one) => one.outerHTML.slice(0, 120))"""
        )
    ] or ["the page itself"]


def focus_stops(page: Any, most: int = 80) -> list[tuple[str, bool]]:
    """What the Tab key stops at, one after the other, and whether it can be seen there."""
    page.evaluate("() => { document.activeElement?.blur(); scrollTo(0, 0); }")
    stops: list[tuple[str, bool]] = []
    for _ in range(most):
        page.keyboard.press("Tab")
        stop = page.evaluate(FOCUS)
        if stop is None:
            break
        stops.append((stop[0], stop[1]))
    return stops


def tab_to(page: Any, selector: str, most: int = 120) -> None:
    """Press Tab until this has the focus."""
    for _ in range(most):
        if page.evaluate("(which) => Boolean(document.activeElement?.matches(which))", selector):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"the Tab key does not come to {selector}")
