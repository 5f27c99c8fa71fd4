"""How a detector answers to gas: forward model, fit, figures, and the same while a test runs."""

from gaswitness.response.enough import Enough, Wanted, enough
from gaswitness.response.figures import ResponseFigures, response_figures
from gaswitness.response.fit import fit_step
from gaswitness.response.live import LiveEstimate, LiveFit
from gaswitness.response.many import ManyFits, fit_many
from gaswitness.response.model import (
    Sensor,
    SensorPath,
    SensorState,
    air_factor,
    clip_to_range,
    round_to_resolution,
    step_curve,
)
from gaswitness.response.read import ReadTimes, ReadValue, read_times, read_zero
from gaswitness.response.result import FLAGS, StepFit
from gaswitness.response.settle import Settled, settled

__all__ = [
    "FLAGS",
    "Enough",
    "LiveEstimate",
    "LiveFit",
    "ManyFits",
    "ReadTimes",
    "ReadValue",
    "ResponseFigures",
    "Sensor",
    "SensorPath",
    "SensorState",
    "Settled",
    "StepFit",
    "Wanted",
    "air_factor",
    "clip_to_range",
    "enough",
    "fit_many",
    "fit_step",
    "read_times",
    "read_zero",
    "response_figures",
    "round_to_resolution",
    "settled",
    "step_curve",
]
