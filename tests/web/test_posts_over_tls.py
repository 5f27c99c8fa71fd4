"""`board --tls`: a phone that trusts the board's certificate opens its page without network, and loses nothing.

Chromium is told the certificate's public key, which stands for a certificate that was installed on the phone; without
that it refuses service workers, and the page says what will not work.
"""

from __future__ import annotations

import base64
import hashlib
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from cryptography import x509
from cryptography.hazmat.primitives import serialization

from gaswitness.web.tls import CERTIFICATE
from support.boards import CHROMIUM_FLAGS, DESK, PHONE, board, chromium, invite, join, person, take_desk
from support.ledgers_on_disk import marks_in

PATIENCE_S = 60.0


def until(holds: Callable[[], bool], what: str) -> None:
    """Wait for it, for a while."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        if holds():
            return
        time.sleep(0.1)
    raise AssertionError(f"waited in vain: {what}")


def states(phone: Any) -> list[str]:
    return [str(one.get_attribute("data-state")) for one in phone.locator("#past li").all()]


def key_of(folder: Path) -> str:
    """SHA-256 of the certificate's public key, as browsers take it (RFC 7469, section 2.4)."""
    certificate = x509.load_pem_x509_certificate((folder / CERTIFICATE).read_bytes())
    der = certificate.public_key().public_bytes(
        serialization.Encoding.DER, serialization.PublicFormat.SubjectPublicKeyInfo
    )
    return base64.b64encode(hashlib.sha256(der).digest()).decode()


def words_for(folder: Path, plan: Path) -> list[str]:
    return ["--folder", str(folder), "--run", str(plan), "--link", "by-hand:", "--operator", "Mira K.", "--tls"]


def test_a_page_over_tls_opens_without_network_and_delivers_afterwards(
    cellar: tuple[Path, Path], tmp_path: Path, output: Path
) -> None:
    path = chromium()
    from playwright.sync_api import sync_playwright

    with board(*words_for(tmp_path, cellar[1])) as served, sync_playwright() as playwright:
        base = served.desk.partition("/join/")[0]
        assert base.startswith("https://")
        trusting = [*CHROMIUM_FLAGS, f"--ignore-certificate-errors-spki-list={key_of(tmp_path)}"]
        made = playwright.chromium.launch(executable_path=path, args=trusting)
        desk, phone = person(made, DESK), person(made, PHONE)
        take_desk(desk, served.desk)
        join(phone, invite(desk, base, "DOOR").replace("127.0.0.1", "localhost"), "Ines")
        (cookie,) = [one for one in phone.context.cookies() if one["name"] == "gaswitness"]
        assert cookie["secure"]
        assert cookie["httpOnly"]
        assert cookie["sameSite"] == "Strict"
        phone.locator("#offline", has_text="also opens without").wait_for()
        phone.context.set_offline(True)
        phone.goto(phone.url)  # a page that was closed is opened again, not only loaded again
        phone.locator('.press[data-signal="FAN.on"]', has_text="running").tap()
        phone.locator("#kept", has_text="1 kept on this phone").wait_for()
        phone.reload()
        phone.locator("#past li[data-state=waiting]").wait_for()
        phone.screenshot(path=output / "post-offline-tls.png")
        phone.context.set_offline(False)
        until(lambda: states(phone) == ["recorded"], "the mark made without network")
        assert [one.signal for one in marks_in(tmp_path)] == ["FAN.on"]
        made.close()


def test_where_the_certificate_is_not_trusted_the_page_says_what_will_not_work(
    cellar: tuple[Path, Path], tmp_path: Path
) -> None:
    path = chromium()
    from playwright.sync_api import sync_playwright

    with board(*words_for(tmp_path, cellar[1])) as served, sync_playwright() as playwright:
        base = served.desk.partition("/join/")[0]
        made = playwright.chromium.launch(executable_path=path, args=CHROMIUM_FLAGS)
        desk = person(made, DESK, ignore_https_errors=True)
        phone = person(made, PHONE, ignore_https_errors=True)
        take_desk(desk, served.desk)
        join(phone, invite(desk, base, "DOOR"), "Ines")
        phone.locator("#offline", has_text="cannot be loaded again").wait_for()
        phone.locator('.press[data-signal="FAN.on"]', has_text="running").tap()
        until(lambda: states(phone) == ["recorded"], "the mark")
        made.close()
