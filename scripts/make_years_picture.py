"""Make docs/pictures/years.png again: ten invented years of the ice rink, as `gaswitness drift -o` draws them."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from gaswitness.history.paper import paper_parcel
from gaswitness.history.picture import draw_years
from gaswitness.history.store import open_store
from gaswitness.learn.drift import drifts

REPO = Path(__file__).resolve().parent.parent


def main() -> None:
    """Import the example into a store of its own and draw it."""
    import tempfile
    from datetime import UTC, datetime

    example = REPO / "examples" / "ravensmoor-years.csv"
    with tempfile.TemporaryDirectory() as folder, open_store(f"{folder}/years.db", make=True) as store:
        store.keep(paper_parcel(example.read_bytes(), example.name), now=datetime.now(UTC))
        draw_years(REPO / "docs" / "pictures" / "years.png", drifts(store.tested()), date(2026, 3, 1))


if __name__ == "__main__":
    main()
