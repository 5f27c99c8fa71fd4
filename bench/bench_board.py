"""The board under load: 50 phones that mark and listen, 120 detectors polled once a second, all on this machine.

GASWITNESS_BENCH_S sets how long it lasts (30 s if not set). The phones and the rig share the machine's cores.
"""

from __future__ import annotations

import asyncio
import json
import os
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

REPO = Path(__file__).resolve().parent.parent
PHONES, DETECTORS, EVERY_S = 50, 120, 2.0
LAST_S = float(os.environ.get("GASWITNESS_BENCH_S", "30"))


def _site() -> str:
    """An invented cellar with many detectors and many doors."""
    text = (REPO / "examples" / "cellar.yaml").read_text(encoding="utf-8")
    head, rest = text.split("detectors:\n")
    after = rest[rest.index("posts:\n") :]
    tags = [f"CO2-{n}" for n in range(1, DETECTORS + 1)]
    levels = "[{name: low, set: 5000 ppm, deadband: 20 % of set}, {name: high, set: 15000 ppm, deadband: 20 % of set}]"
    detectors = "".join(
        f"  - {{tag: {tag}, gas: CO2, area: CELLAR, range_high: 5 %vol, resolution: 10 ppm, t90: 120 s, "
        f"dead_time: 10 s, alarms: {levels}}}\n"
        for tag in tags
    )
    doors = "posts:\n" + "".join(f"  - {{tag: DOOR-{n}, name: Door {n}}}\n" for n in range(1, PHONES + 1))
    after = after[after.index("effects:\n") : after.index("links:\n")].replace("post: DOOR", "post: DOOR-1")
    for point in ("low", "high", "fault"):
        after = after.replace(f"[CO2-A.{point}, CO2-B.{point}]", f"[{', '.join(f'{tag}.{point}' for tag in tags)}]")
    registers = "".join(f"      - {{signal: {tag}.reading, address: {2 * n}}}\n" for n, tag in enumerate(tags))
    signals = [f"{tag}.{point}" for tag in tags for point in ("low", "high", "fault")]
    signals += ["BEACON.on", "FAN.on", "FAULT.on"]
    bits = "".join(f"      - {{signal: {signal}, address: {n}}}\n" for n, signal in enumerate(signals))
    links = f"links:\n  - url: modbus-tcp://192.0.2.20:502\n    registers:\n{registers}    bits:\n{bits}"
    return f"{head}detectors:\n{detectors}{doors}{after}{links}warn:\n  - {{role: Cellar keeper}}\n"


def _share(values: list[float], part: float) -> float:
    return sorted(values)[min(len(values) - 1, int(part * len(values)))]


async def _load(desk: str, memory: list[float], pid: int) -> dict:
    import httpx

    base, token = re.match(r"(.*)/join/(.*)", desk).groups()
    acks: list[float] = []
    screens: list[tuple[float, float]] = []
    offsets: list[float] = []
    sent: set[str] = set()
    until = 0.0

    def client(number: int) -> httpx.AsyncClient:
        from_here = httpx.AsyncHTTPTransport(local_address=f"127.0.0.{number + 10}", retries=1)
        return httpx.AsyncClient(base_url=base, transport=from_here, follow_redirects=True, timeout=20)

    async def come_in(number: int, token: str) -> tuple[httpx.AsyncClient, str, str]:
        made = client(number)
        page = (await made.post("/join", data={"token": token, "name": f"Phone {number}"})).text
        run = re.search(r'data-run="([^"]+)"', page)
        csrf = re.search(r'name="csrf" content="([^"]*)"', page)[1]
        return made, csrf, run[1] if run else ""

    async def listen(made: httpx.AsyncClient) -> None:
        last: float | None = None
        async with made.stream("GET", "/post/events") as stream:
            async for line in stream.aiter_lines():
                if line.startswith("data: {") and '"polled"' in line:
                    document = json.loads(line[6:])
                    if document["polled"] != last and last is not None:  # the first word of a new poll
                        screens.append((time.monotonic(), document["polled"]))
                    last = document["polled"]
                if time.monotonic() > until:
                    return

    async def press(number: int, made: httpx.AsyncClient, csrf: str, run: str) -> None:
        await asyncio.sleep(EVERY_S * number / PHONES)
        exchanges: list[dict] = []
        turn = 0

        def stamp() -> dict:
            now = time.monotonic()
            return {"load": f"load-{number}", "own_ms": now * 1e3, "wall_ms": 1e12 + now * 1e3}

        while time.monotonic() < until:
            if turn % 4 == 0:
                asked = stamp()
                said = (await made.get("/post/clock")).json()
                took = stamp()["own_ms"] - asked["own_ms"]
                exchanges.append({"server": said["server"], "sent": asked, "took_ms": took, "server_s": said["s"]})
            at, mark_id = stamp(), f"phone-{number}-{turn}-mark"
            one = {"mark_id": mark_id, "at": at, "signal": "BEACON.on", "on": turn % 2 == 0, "pattern": "flashing"}
            body = {"run": run, "post": "", "marks": [one], "readings": [], "exchanges": exchanges[-60:]}
            answer = await made.post("/post/marks", json=body, headers={"X-CSRF": csrf})
            acks.append(time.monotonic() - at["own_ms"] / 1e3)
            assert answer.status_code == 200, answer.text
            (receipt,) = answer.json()["receipts"]
            assert receipt["state"] == "recorded", receipt
            offsets.append(at["own_ms"] / 1e3 - receipt["t_s"])
            sent.add(mark_id)
            turn += 1
            await asyncio.sleep(max(0.0, EVERY_S - acks[-1]))

    made, csrf, _ = await come_in(0, token)
    phones = []
    for number in range(1, PHONES + 1):
        asked = {"csrf": csrf, "role": "witness", "post": f"DOOR-{number}"}
        page = (await made.post("/people/invite", data=asked)).text
        phones.append(await come_in(number, re.search(r"/join/([\w-]+)", page)[1]))
    until = time.monotonic() + LAST_S
    await asyncio.gather(
        *(press(number, *phone) for number, phone in enumerate(phones)), *(listen(phone[0]) for phone in phones)
    )
    status = Path(f"/proc/{pid}/status")
    if status.is_file():
        memory.append(int(re.search(r"VmHWM:\s+(\d+)", status.read_text())[1]) / 1024)
    for one in (made, *(phone[0] for phone in phones)):
        await one.aclose()
    offset_s = sorted(offsets)[len(offsets) // 2]
    return {"acks": acks, "screens": [got - polled - offset_s for got, polled in screens], "sent": sent}


def rows() -> list[dict]:
    """Marks and readings under load, each against the limit that was set for it."""
    sys.path.insert(0, str(REPO / "tests"))
    from gaswitness.evidence.ledger import read_ledger
    from gaswitness.run.events import MarkMade, ReadingTaken
    from support.boards import board
    from support.processes import rig

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        site, plan = folder / "cellar.yaml", folder / "cellar.plan.json"
        site.write_text(_site(), encoding="utf-8")
        command = [sys.executable, "-m", "gaswitness", "plan", str(site), "--detector", "CO2-1", "-o", str(plan)]
        done = subprocess.run(command, capture_output=True, text=True)
        if done.returncode not in (0, 1):
            raise RuntimeError(done.stderr)
        memory: list[float] = []
        with rig(site, 1.0) as (link, hands):
            words = ["--folder", name, "--run", str(plan), "--link", link, "--rig", hands, "--operator", "MK"]
            with board(*words) as served:
                assert served.process is not None
                told = asyncio.run(_load(served.desk, memory, served.process.pid))
        (path,) = folder.glob("*.ledger.jsonl")
        events = read_ledger(path.read_bytes(), path.name).events
    marks = [event.mark_id for event in events if isinstance(event, MarkMade)]
    readings = sum(isinstance(event, ReadingTaken) for event in events)
    lost = len(told["sent"] - set(marks))
    note = f"{PHONES} phones, {DETECTORS} detectors at 1 Hz, {LAST_S:g} s; phones and rig on the same machine"
    return [
        {
            "what": "mark acknowledged, p99",
            "this_s": _share(told["acks"], 0.99),
            "limit": "limit 0.15 s",
            "note": f"{len(told['sent'])} marks, {lost} lost, {len(marks) - len(set(marks))} twice; {note}",
        },
        {
            "what": "reading at the browser after its poll, p95",
            "this_s": _share(told["screens"], 0.95),
            "limit": "limit 0.5 s",
            "note": f"{len(told['screens'])} received, {readings} readings recorded; without drawing",
        },
        {
            "what": "board, greatest memory",
            "this_s": None,
            "memory_mb": memory[0] if memory else None,
            "limit": "limit 400 MB",
            "note": "resident, by the system",
        },
    ]
