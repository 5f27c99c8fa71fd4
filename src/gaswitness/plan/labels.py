"""The fixed words of a job sheet: headings, heads of columns, and what is to be ticked off."""

from __future__ import annotations

from gaswitness.paper import Words
from gaswitness.sentence import said

LABELS: Words = {
    "title": said("Job sheet, {site}", site="{site}"),
    "foot": said("job sheet · {site} · planned {made}", site="{site}", made="{made}"),
    "kind_of_paper": said("Job sheet · test of fixed gas alarms"),
    "retest": said("retest of what fell short in"),
    "date": said("date"),
    "led_by": said("led by"),
    "first": said("Before anything else"),
    "read_aloud": said("read aloud to all who take part, at"),
    "people": said("People to be told"),
    "roles": said("who | reached by | told that it begins | told that it is over | by"),
    "inhibits": said("Inhibits: every one lifted and seen to act before anybody leaves"),
    "inhibit": said("effect | | placed | lifted | seen to act | by"),
    "bottles": said("Bottles"),
    "bottle": said("bottle | level ± U (k = 2) | certificate | expires | needed | held | bar before | bar after"),
    "posts": said("Who stands where"),
    "post": said("post | to be seen there | minutes from the start | name"),
    "bouts": said("Under gas at once"),
    "bout": said("bout | gas on, in this order; what to look at | caps | seen, time"),
    "minutes": said("({minutes} min)", minutes="{minutes}"),
    "somebody_at": said("somebody at: {posts}", posts="{posts}"),
    "starts": said("starts at about {start} min, takes {minutes} min", start="{start}", minutes="{minutes}"),
    "no_gas": said("no gas in this test"),
    "flow": said("flow"),
    "gas_for": said("gas for"),
    "gas_on": said("gas on"),
    "gas_off": said("gas off"),
    "points": said("alarm | sets | after gas on | seen at | clears | after gas off | seen at"),
    "effects": said("at the post | effect | | on | within | starts | stops"),
    "leaving": said("Before anybody leaves"),
    "left_safe": [
        said("every bottle shut and taken along"),
        said("every cap off, all detectors in service"),
        said("every signal closed again"),
        said("every inhibit lifted and seen to act"),
        said("no alarm, no fault stands at the panel"),
        said("everybody told that it is over"),
    ],
    "not_shown": said("Not shown by this plan: stands as “not tested”"),
    "line": said("cause | effect | why"),
    "rest_on": said("What the predictions rest on"),
    "intervals": said(
        "Intervals hold 95 % of what is to be expected of a detector in order. An alarm later than its interval is a "
        "finding: shut the gas."
    ),
    "remarks": said("Remarks"),
    "signed": said("tested by | witnessed by | for the site"),
    "when": said("date, time"),
}
