"""What each flag means, for the person who has to act on it."""

from __future__ import annotations

MEANING: dict[str, str] = {
    "at-bound": "a parameter stopped at the edge of what is possible; a simpler model may do",
    "baseline-drifting": "the reading was already moving before gas; a straight line was fitted under the step",
    "baseline-missing": "the record does not show rest before gas; zero, and times if gas on was found, are unknown",
    "correlated-residuals": "neighbouring readings err together; all uncertainties were widened for it",
    "covariance-unusable": "the data do not determine all parameters; uncertainties are unknown",
    "dead-line": "exact zeros in a record that never comes near zero were left out: no signal, not a reading",
    "extrapolated": "the plateau was foreseen by the model, not reached",
    "gaps": "readings are missing within the exposure",
    "model-inadequate": "the curve of the model does not follow the readings; fitted times are not to be trusted",
    "model-unproven": "the display is too coarse to show whether the model follows the detector",
    "moved-before-gas": "the reading moved before the gas on that was given: two clocks disagree, or gas came earlier",
    "no-response": "the reading did not clearly move",
    "not-converged": "the fit did not come to rest, or there were too few readings for it",
    "not-settled": "the reading was still on the move when gas was shut or the record ended",
    "points-dropped": "readings were left out: blanks, or spikes that stick out of their neighbours",
    "quantised": "the display step is coarse against the noise; readings were used as intervals",
    "read-fit-disagree": "times read on the trace and fitted times differ by more than their uncertainties",
    "saturated": "readings at the end of the range were used as at least, or at most, that value",
    "several-steps": "the record holds more than one exposure; name one with --gas-on",
    "span-error": "the plateau is more than 20 % from the gas that was given",
    "stuck": "the reading stands still as no live reading does",
}
