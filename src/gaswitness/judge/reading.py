"""Does it read right? Zero, span, t90 and t10 of one trial."""

from __future__ import annotations

import math

from gaswitness.evidence.timeline import uniform_u
from gaswitness.judge.budget import Budget, Term
from gaswitness.judge.case import Case
from gaswitness.judge.causes import GAS, Diagnosis
from gaswitness.judge.finding import broken, fell_short, inconclusive, judged, not_tested
from gaswitness.judge.records import Finding
from gaswitness.plan.records import Criterion
from gaswitness.response import air_factor
from gaswitness.response.read import UNKNOWN, ReadValue
from gaswitness.response.result import StepFit
from gaswitness.response.settle import unsettled_u
from gaswitness.sentence import listed, said, together
from gaswitness.wording import number, word

WEATHER_PRESSURE = 0.010
"""Standard uncertainty of the day's air pressure about the site's stated one, relative; common practice, no source."""
WEATHER_TEMPERATURE = 0.010
"""The same for absolute temperature (3 K of 293 K); common practice, no source."""
READ_PRESSURE = 0.002
"""Standard uncertainty of a barometer read on the day, relative (2 hPa); common practice, no source."""
READ_TEMPERATURE = 0.0035
"""The same for a thermometer (1 K of 293 K); common practice, no source."""
SURROGATE_U = 0.05
"""Standard uncertainty of a surrogate factor where none is stated, relative; common practice, no source."""


def zero(case: Case, criterion: Criterion, diagnosis: Diagnosis) -> Finding:
    """Reading before gas, in the room's own air."""
    if diagnosis.unusable:
        return broken(
            criterion,
            said("The reading before gas cannot be judged: {unusable}.", unusable=diagnosis.unusable),
            [diagnosis.unusable],
        )
    found = case.zero
    if found is None:
        lost = case.trial and case.trial.zero and case.series.broken(case.trial.zero.from_s, case.trial.zero.until_s)
        if lost:
            return broken(
                criterion, said("The link was down while the reading before gas was taken."), [said("link dropped")]
            )
        return not_tested(criterion, said("The reading before gas was not taken."))
    budget = Budget((Term("noise and drift", found.u_noise), Term("resolution", case.u_resolution_ppm)))
    why = said("{tag} read {value} before gas ({n} readings).", tag=case.tag, value=case.words(found.value), n=found.n)
    causes = [
        *diagnosis.texts("crossed", "link", "noisy"),
        said("the zero of {tag} has moved: adjust it in air known to be clean", tag=case.tag),
        said("the room's air was not what the site says: measure it, or flush the cap with zero air first"),
    ]
    return judged(criterion, found.value, budget, why, causes)


def span(case: Case, criterion: Criterion, diagnosis: Diagnosis) -> Finding:
    """Settled reading on certified gas."""
    if diagnosis.unusable:
        return broken(
            criterion,
            said("The reading on gas cannot be judged: {unusable}.", unusable=diagnosis.unusable),
            [diagnosis.unusable],
        )
    rest = case.rest
    if rest is None or not math.isfinite(rest.plateau):
        if case.outage:
            return broken(
                criterion, said("There are no readings on gas, because the link was down."), diagnosis.texts("link")
            )
        return not_tested(criterion, said("There are no readings on gas."))
    value, u, how = _plateau(case, answered=not diagnosis.has("crossed", "frozen", "dead"))
    factor = air_of_the_day(case)
    budget = Budget(
        (
            Term("settled reading", u / factor),
            Term("resolution", case.u_resolution_ppm),
            Term("gas certificate", -_u_bottle(case), shared=f"cylinder:{case.cylinder.tag}"),
            *_surrogate(case),
            *_air(case, value),
        )
    )
    why = said(
        "On bottle {bottle} ({level}) {tag} read {how}.",
        bottle=case.cylinder.tag,
        level=case.words(case.part.bottle_ppm),
        tag=case.tag,
        how=how,
    )
    if factor != 1.0:
        brought = said("Brought to the site's stated air it is {value}.", value=case.words(value / factor))
        why = together(why, brought)
    causes = [
        *diagnosis.texts("crossed", "frozen", "dead", "slow", "gain", "noisy", "link"),
        said("the bottle, its regulator or the cap: {gas}", gas=GAS),
    ]
    return judged(criterion, value / factor, budget, why, causes)


def _plateau(case: Case, *, answered: bool) -> tuple[float, float, str]:
    """Level on gas, its uncertainty, and in words how it was found."""
    rest, fit = case.rest, case.fit
    if rest is None:
        raise ValueError("a plateau needs readings on gas")
    if not answered:
        return (
            rest.plateau,
            rest.u_plateau,
            said("{plateau}: it did not answer to gas", plateau=case.words(rest.plateau)),
        )
    usable = fit is not None and fit.converged and fit.covariance_usable and math.isfinite(fit.plateau)
    usable = usable and fit is not None and "no-response" not in fit.flags and math.isfinite(fit.u_plateau)
    if rest.settled:
        words = said("{plateau}, settled", plateau=case.words(rest.plateau))
        if fit is not None and usable:
            apart, allowed = abs(fit.plateau - rest.plateau), 2 * math.hypot(fit.u_plateau, rest.u_plateau)
            if apart > max(allowed, case.detector.resolution_ppm):
                words = said(
                    "{plateau}, settled (the fitted curve heads for {fitted}: read and fitted disagree)",
                    plateau=case.words(rest.plateau),
                    fitted=case.words(fit.plateau),
                )
        return rest.plateau, rest.u_plateau, words
    if fit is not None and usable and abs(fit.plateau - case.start_ppm) < 2 * abs(case.step_ppm):
        words = said(
            "{plateau} and had not settled; the fitted curve ends at {fitted}",
            plateau=case.words(rest.plateau),
            fitted=case.words(fit.plateau),
        )
        return fit.plateau, unsettled_u(fit.u_plateau, fit.plateau, rest.plateau), words
    return rest.plateau, rest.u_plateau, said("{plateau} and had not settled", plateau=case.words(rest.plateau))


def _u_bottle(case: Case) -> float:
    """Standard uncertainty of the certified level, as the detector should show it."""
    return case.cylinder.u_ppm / case.cylinder.level_ppm * case.part.bottle_ppm


def _surrogate(case: Case) -> tuple[Term, ...]:
    if case.cylinder.surrogate_for is None:
        return ()
    amount = SURROGATE_U * case.part.bottle_ppm
    return (Term("surrogate gas factor, assumed", -amount, shared=f"surrogate:{case.cylinder.tag}"),)


def air_of_the_day(case: Case) -> float:
    """Factor by which the sensor shows more in the measured air than in the air stated; 1 where not measured."""
    measured = case.series.airs[-1] if case.series.airs else None
    if measured is None or case.detector.corrects_pressure:
        return 1.0
    stated = case.series.plan.site.conditions
    there = air_factor(measured.pressure_pa or stated.pressure_pa, measured.temperature_k or stated.temperature_k)
    return there / air_factor(stated.pressure_pa, stated.temperature_k)


def _air(case: Case, value_ppm: float) -> tuple[Term, ...]:
    """What is not known of the day's air moves the reading of a sensor that counts molecules."""
    if case.detector.corrects_pressure:
        return ()
    measured = case.series.airs[-1] if case.series.airs else None
    read_p = measured is not None and measured.pressure_pa is not None
    read_t = measured is not None and measured.temperature_k is not None
    return (
        Term(
            "air pressure" if read_p else "air pressure, not measured",
            (READ_PRESSURE if read_p else WEATHER_PRESSURE) * value_ppm,
            shared="air pressure",
        ),
        Term(
            "air temperature" if read_t else "air temperature, not measured",
            (READ_TEMPERATURE if read_t else WEATHER_TEMPERATURE) * value_ppm,
            shared="air temperature",
        ),
    )


def t90(case: Case, criterion: Criterion, diagnosis: Diagnosis) -> Finding:
    """Time from gas on until 90 % of the change."""
    if diagnosis.unusable:
        return broken(
            criterion, said("No response can be seen: {unusable}.", unusable=diagnosis.unusable), [diagnosis.unusable]
        )
    if case.under_gas is None or case.trial is None:
        return not_tested(criterion, said("There are no readings on gas."))
    if diagnosis.has("crossed", "frozen", "dead"):
        causes = diagnosis.texts("crossed", "frozen", "dead")
        return fell_short(
            criterion, said("{tag} did not answer to gas, so 90 % was never reached.", tag=case.tag), [*causes, GAS]
        )
    causes = [
        *diagnosis.texts("slow", "gain", "link"),
        said("low flow, a leaking cap or a blocked filter slows the answer"),
    ]
    read = case.read.t90_s if case.read else UNKNOWN
    return _time(case, criterion, case.fit, read, said("gas on"), case.trial.gas_on.u_s, causes)


def t10(case: Case, criterion: Criterion, diagnosis: Diagnosis) -> Finding:
    """Time from gas off until 10 % of the change is left."""
    if diagnosis.unusable:
        return broken(
            criterion, said("No recovery can be seen: {unusable}.", unusable=diagnosis.unusable), [diagnosis.unusable]
        )
    if case.trial is None or case.trial.gas_off is None:
        return not_tested(criterion, said("Gas was not shut off within the record."))
    if diagnosis.has("crossed", "frozen", "dead"):
        return not_tested(
            criterion, said("{tag} did not answer to gas, so there is nothing to recover from.", tag=case.tag)
        )
    causes = [*diagnosis.texts("slow", "link"), said("cap left on, or gas still in the room")]
    return _time(case, criterion, case.recovery, UNKNOWN, said("gas off"), case.trial.gas_off.u_s, causes)


def _time(
    case: Case,
    criterion: Criterion,
    fit: StepFit | None,
    read: ReadValue,
    since: str,
    u_since_s: float,
    causes: list[str],
) -> Finding:
    """Judge the fitted time to 90 % of a change, with the one read off the trace as a second opinion.

    Where the model does not describe the trace, the read one counts.
    """
    if fit is None:
        return not_tested(criterion, said("There are too few readings after {since}.", since=since))
    fitted, known = ReadValue(fit.t90_s, fit.u_t90_s), math.isfinite(read.value) and math.isfinite(read.u)
    usable = math.isfinite(fitted.value) and math.isfinite(fitted.u)
    if not (usable or known):
        words = listed(map(word, fit.flags)) or said("no flag")
        return inconclusive(
            criterion,
            said(
                "The curve after {since} gives no time that could be trusted ({words}); gas for longer "
                "would settle it.",
                since=since,
                words=words,
            ),
            causes,
        )
    counts = read if known and ("model-inadequate" in fit.flags or not usable) else fitted
    site = case.series.plan.site
    budget = Budget(
        (
            Term("fit" if counts is fitted else "reading off the trace", counts.u),
            Term(f"instant of {since}", u_since_s),
            Term("poll", uniform_u(poll_of(case))),
            Term("panel scan", uniform_u(site.panel.scan_s)),
        )
    )
    told = [said("fitted {value} s", value=number(fitted.value))] if usable else []
    told += [said("read {value} s", value=number(read.value))] if known else []
    told += [word(flag) for flag in fit.flags if flag in ("not-settled", "extrapolated", "model-inadequate", "gaps")]
    if usable and known and abs(fitted.value - read.value) > 2 * math.hypot(fitted.u, read.u) + poll_of(case):
        told.append(said("the two disagree"))
    why = said(
        "90 % of the change was made {value} s after {since} ({told}).",
        value=number(counts.value),
        since=since,
        told=listed(told),
    )
    return judged(criterion, counts.value, budget, why, causes)


def poll_of(case: Case) -> float:
    """Usual time between two readings of this detector [s]."""
    for link in case.series.plan.site.links:
        if f"{case.tag}.reading" in link.signals:
            return link.poll_s
    return 1.0
