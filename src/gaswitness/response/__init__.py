"""How a detector answers to gas: forward model, fit, figures, and the same while a test runs."""

from gaswitness.response.model import (
    Sensor,
    SensorPath,
    SensorState,
    air_factor,
    clip_to_range,
    round_to_resolution,
    step_curve,
)

__all__ = [
    "Sensor",
    "SensorPath",
    "SensorState",
    "air_factor",
    "clip_to_range",
    "round_to_resolution",
    "step_curve",
]
