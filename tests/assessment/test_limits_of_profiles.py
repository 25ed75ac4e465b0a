"""Every acceptance limit of every shipped profile decides: figures on either side, fed to the assessment."""

from __future__ import annotations

import math
from functools import cache
from typing import NamedTuple

import pytest

from validator import evaluate
from validator.assessment import guidance_findings as module
from validator.assessment.guidance_figures import figure_observations
from validator.assessment.observation import Effect, Observation
from validator.characteristics.order import FIGURES, ORDER
from validator.evaluation.results import EstimateRecord
from validator.guidance import Place, load_profile, profile_names

MG_PER_KG = 1e-6
SLIGHTLY = 1e-6


TOLERABLE = Effect("the effect", -1.0, 1.0, (-5.0, 5.0))
"""What makes a p value above its limit decide: an interval of the effect inside the tolerance."""


class Row(NamedTuple):
    """A row of a limit and where it is fed: level and legal limit in *unit*, the analyte's name."""

    level: float
    analyte: str
    bounds: object
    legal_limit: float | None = None
    unit: str = "mg/kg"


def middles(table):
    """A mass fraction inside every row of a table, in mg/kg, and the row."""
    scale = {"1": 1.0, "mg/kg": MG_PER_KG, "ug/kg": 1e-9}[table.unit] / MG_PER_KG
    for point in table.points:
        yield point.at * scale, point
    for band in table.bands:
        inside = [edge for edge in (band.start, band.end) if edge is not None]
        middle = math.sqrt(math.prod(inside)) if len(inside) == 2 else inside[0]
        yield middle * scale * (0.5 if band.start is None else 2 if band.end is None else 1), band


def rows(acceptance):
    """Every row of a limit."""
    if acceptance.by_mass_fraction is not None:
        for level, row in middles(acceptance.by_mass_fraction):
            yield Row(level, "x", row)
    elif acceptance.predicted_rsd is not None:
        raise AssertionError("no shipped profile limits an RSD by a prediction; feed it here when one does")
    elif acceptance.by_analyte is None:
        yield Row(5.0, "x", acceptance)
    for row in acceptance.by_analyte or ():
        for name in row.analytes:
            yield from of_analyte(row, name)


def of_analyte(row, name):
    """The rows for one analyte: several where the legal limit tells them apart."""
    if row.by_legal_limit is not None:
        for legal, band in middles(row.by_legal_limit):
            yield Row(legal / 10, name, band, legal)
    elif row.at is not None and row.at.level is not None:
        yield Row(row.at.level, name, row, 40.0, row.at.unit)
    elif row.at is not None:
        yield Row(row.at.percent_of_legal_limit / 100 * 40.0, name, row, 40.0)
    else:
        yield Row(5.0, name, row)


def ends_of(row):
    """The ends that a row writes, each with the direction that leads out of what is allowed."""
    return [(end, out) for end, out in ((row.lower, -1), (row.upper, 1)) if end is not None]


ENDS = [
    pytest.param(profile, rule, acceptance, row, end, out, id=f"{name}:{rule.id}:{row.analyte}:{end}")
    for name in profile_names()
    for profile in [load_profile(name)]
    for rule in profile.requirements
    for acceptance in rule.acceptance
    for row in rows(acceptance)
    for end, out in ends_of(row.bounds)
]


@pytest.fixture(scope="module")
def empty(study_of, described):
    """A study without data, of a kind of method and an analyte, with its results."""

    @cache
    def empty(kind, analyte, legal_limit, unit="mg/kg"):
        described_analyte = {
            "id": "a",
            "name": analyte,
            "unit": unit,
            "signal": "signal",
            "signal_unit": "1",
            **({"legal_limit": legal_limit} if legal_limit else {}),
        }
        study = described(analytes=[described_analyte], analysis={"decision_rule": "simple"})
        study["method"] |= {"kind": kind} if kind else {}
        read = study_of(study)
        return read, evaluate(read)

    return empty


def levels_at(place, level):
    """Levels of which the one that the limit is for is *level*."""
    match place:
        case Place.LOWEST_LEVEL:
            return (level, 2 * level)
        case Place.OTHER_LEVELS:
            return (level / 2, level)
        case Place.LEGAL_LIMIT:
            return (level, 3 * level)
        case _:
            return (level,)


@pytest.mark.parametrize(("profile", "rule", "acceptance", "row", "end", "out"), ENDS)
def test_a_figure_on_either_side_of_a_limit(empty, monkeypatch, profile, rule, acceptance, row, end, out):
    """On the limit and just inside it meets, just outside it does not meet; the finding cites the clause.

    Where the document writes "lower than", the limit itself does not meet.
    """
    kind, level = next(iter(rule.kinds), None), row.level
    legal = row.legal_limit or (level if acceptance.at is Place.LEGAL_LIMIT else None)
    study, results = empty(kind.value if kind else None, row.analyte, legal, row.unit)
    alone = profile.model_copy(
        update={"requirements": (rule.model_copy(update={"acceptance": (acceptance,)}),)}
    )
    of_p = acceptance.figure.endswith("_p")
    of_a_range = acceptance.figure.startswith("range_")
    kind_of_figure = "probability" if of_p else "bound" if of_a_range else "mean"

    def outcome(value, effects=(TOLERABLE,)):
        def fed(*_):
            return tuple(
                Observation(
                    estimate=EstimateRecord(value=value),
                    kind=kind_of_figure,
                    level=here,
                    effects=effects if of_p else (),
                )
                for here in levels_at(acceptance.at, level)
            )

        monkeypatch.setattr(module, "figure_observations", fed)
        (found,) = [one for one in module.guidance_findings(study, results, [alone]) if one.level == level]
        assert (acceptance.clause or rule.clause) in found.source
        return found.outcome

    step = SLIGHTLY * max(abs(end), 1e-3)
    exclusive = acceptance.exclusive or row.bounds.exclusive
    assert outcome(end) == ("does not meet" if exclusive else "meets")
    assert outcome(end - out * step) == "meets"
    assert outcome(end + out * step) == "does not meet"
    if of_p:
        assert outcome(end - out * step, effects=()) == "inconclusive"
        assert outcome(end + out * step, effects=()) == "does not meet"


def test_as_many_ends_are_fed_as_the_files_write():
    """The check above can fail: no limit is left out of it."""
    assert len(ENDS) > 150
    with_limits = {name for name in profile_names() if _writes_limits(name)}
    assert {param.values[0].id for param in ENDS} == with_limits
    assert len(with_limits) > 10


def _writes_limits(name):
    return any(rule.acceptance for rule in load_profile(name).requirements)


@pytest.mark.parametrize("figure", list(FIGURES))
def test_every_figure_that_can_be_limited_is_read_from_results(empty, figure):
    """A limit on any figure is answered, by a number or by a reason: none is passed over in silence."""
    from validator.assessment.guidance_figures import Subject

    study, results = empty(None, "x", None)
    subject = Subject(study.analyte("a"), results.analytes["a"].configurations["default"])

    for characteristic in (one.name for one in ORDER if figure in one.figures):
        found = figure_observations(figure, subject, characteristic)
        assert found is not None
        assert found, (figure, characteristic)
        assert all(one.estimate is not None or one.refusal is not None for one in found)
