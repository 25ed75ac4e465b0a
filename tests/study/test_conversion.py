"""Units of mass and of amount of substance: turned into each other where that means something."""

from __future__ import annotations

import subprocess
import sys

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from validator.study.conversion import Inconvertible, converted, factor
from validator.study.stated import stated_limits

ZINC, GLUCOSE, NITRATE = 65.38, 180.156, 62.005


@pytest.mark.parametrize(
    ("value", "unit", "into", "molar_mass", "expected"),
    [
        # SI Brochure, 9th edition (2019), table 7 (prefixes) and 2.3.1 (mole), from memory
        (1, "mg/L", "µg/L", None, 1000),
        (1, "mg L-1", "g/m3", None, 1),
        (1, "ug/l", "µg/L", None, 1),
        (1, "μg/L", "µg/L", None, 1),  # Greek mu and the micro sign
        (1, "mg/kg", "%", None, 1e-4),
        (5, "‰", "%", None, 0.5),
        (1, "µg/m³", "ng/L", None, 1),
        (10, "µmol/L", "µg/L", ZINC, 653.8),
        (653.8, "µg/L", "µmol/L", ZINC, 10),
        (1, "M", "g/L", NITRATE, 62.005),
        (1, "mmol/kg", "mg/kg", NITRATE, 62.005),
        # blood glucose: 1 mmol/L is 18.02 mg/dL (common practice)
        (1, "mmol/L", "mg/dL", GLUCOSE, 18.0156),
        # WHO guidelines for drinking-water quality, 4th edition: 50 mg/L nitrate, 0.8 mmol/L (from memory)
        (50, "mg/L", "mmol/L", NITRATE, 0.806386),
    ],
)
def test_known_conversions(value, unit, into, molar_mass, expected):
    """Prefixes, spellings and molar masses."""
    assert converted(value, unit, into, molar_mass) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize(
    ("unit", "into", "molar_mass", "message"),
    [
        (
            "mg/L",
            "mg/kg",
            ZINC,
            "'mg/L' cannot be converted to 'mg/kg': the units are of different kinds of quantity",
        ),
        ("mol/L", "mg/L", None, "conversion of 'mol/L' to 'mg/L' requires the molar_mass of the analyte"),
        (
            "mol/L",
            "mg/kg",
            ZINC,
            "'mol/L' cannot be converted to 'mg/kg': the units are of different kinds of quantity",
        ),
        ("IU/mL", "mg/L", ZINC, "the unit 'IU/mL' cannot be converted"),
        ("", "mg/L", ZINC, "the unit '' cannot be converted"),
        ("9**9**9**9", "mg/L", ZINC, "the unit '9**9**9**9' cannot be converted"),
        ("__import__('os')", "mg/L", ZINC, "the unit '__import__('os')' cannot be converted"),
        ("m" * 1000, "mg/L", ZINC, f"the unit '{'m' * 39}…' cannot be converted"),
        ("mg/L", "°C", ZINC, "the unit '°C' cannot be converted"),
    ],
)
def test_what_cannot_be_converted(unit, into, molar_mass, message):
    """Different quantities, a missing molar mass, unknown units and texts that are no units at all."""
    with pytest.raises(Inconvertible) as caught:
        factor(unit, into, molar_mass)

    assert str(caught.value) == message


units = st.sampled_from(
    ["g/L", "mg/L", "µg/L", "ng/mL", "mol/L", "mmol/L", "µmol/L", "nmol/mL", "mg/dL", "g/m3"]
)


@settings(deadline=None)  # the first example loads the library of units
@given(units, units, units, st.floats(1, 1000))
def test_there_and_back(one, other, third, molar_mass):
    """A conversion and its reverse cancel, and a detour changes nothing."""
    assert factor(one, other, molar_mass) * factor(other, one, molar_mass) == pytest.approx(1, rel=1e-12)
    assert factor(one, other, molar_mass) * factor(other, third, molar_mass) == pytest.approx(
        factor(one, third, molar_mass), rel=1e-12
    )


HEAD = """\
format: validation-study/1
study: {title: t}
method:
  analytes:
    - {id: no3, name: nitrate, unit: mg/L, signal: A, signal_unit: "1", molar_mass: 62.005%s}
    - {id: no2, name: nitrite, unit: mg/L, signal: A, signal_unit: "1", molar_mass: 46.005}
"""


def test_limits_in_other_units(study_of):
    """A legal limit, a specification and a criterion written in molar units are read in the analyte's."""
    head = HEAD % ", legal_limit: {value: 0.8, unit: mmol/L}, specification: {upper: 500, unit: µmol/L}"

    study = study_of(
        "criteria: [{characteristic: detection_limit, analyte: no3, max: 10, unit: µmol/L},"
        " {characteristic: quantification_limit, max: 100, unit: µg/L},"
        " {characteristic: recovery, min: 90}]\n",
        head=head,
    )

    nitrate = study.analyte("no3")
    assert nitrate.legal_limit == 49.604
    assert (nitrate.specification.lower, nitrate.specification.upper) == (None, 31.0025)
    assert [(one.max, one.unit) for one in study.criteria] == [(0.62005, None), (0.1, None), (None, None)]
    assert study.place_of("criteria", 1).line == 7
    assert [(one.of, one.bound, one.written, one.unit, one.value) for one in stated_limits(study)] == [
        ("legal_limit", "max", "0.8", "mmol/L", 49.604),
        ("specification", "max", "500", "µmol/L", 31.0025),
        ("detection_limit", "max", "10", "µmol/L", 0.62005),
        ("quantification_limit", "max", "100", "µg/L", 0.1),
    ]


@pytest.mark.parametrize(
    ("more", "keys", "problem"),
    [
        (
            "",
            ", display_unit: mg/kg",
            "5: method.analytes[0].display_unit: 'mg/L' cannot be converted to 'mg/kg': ",
        ),
        (
            "",
            ", legal_limit: {value: 1, unit: mol/kg}",
            "5: method.analytes[0].legal_limit.unit: 'mol/kg' cannot be ",
        ),
        (
            "",
            ", legal_limit: {value: -1, unit: mol/L}",
            "5: method.analytes[0].legal_limit.value: must be greater",
        ),
        ("", ", legal_limit: {value: 1}", "5: method.analytes[0].legal_limit.unit: missing; add this key"),
        (
            "",
            ", specification: {upper: 1, unit: h}",
            "5: method.analytes[0].specification.unit: 'h' cannot be converted",
        ),
        (
            "criteria: [{characteristic: detection_limit, max: 1, unit: µmol/L}]\n",
            "",
            "7: criteria[0].unit: the limit differs between analytes; name the analyte",
        ),
        (
            "criteria: [{characteristic: detection_limit, max: 1, unit: kg}]\n",
            "",
            (
                "7: criteria[0].unit: 'kg' cannot be converted to 'mg/L': the units are of different kinds "
                "of quantity"
            ),
        ),
        (
            "criteria: [{characteristic: recovery, max: 1, unit: mg/L}]\n",
            "",
            "7: criteria[0].unit: unit does not apply to a criterion for recovery",
        ),
    ],
)
def test_limits_in_units_that_do_not_fit(problems_of, more, keys, problem):
    """What cannot be converted is told at its unit."""
    (found,) = problems_of(more, head=HEAD % keys)

    assert found.startswith(f"study.yaml:{problem}")


def test_the_library_is_loaded_when_it_is_needed(write):
    """A study without units of its own does not load what converts them."""
    folder = write()
    code = (
        "import sys; from validator.study import read_study; "
        "read_study(sys.argv[1]); print('pint' in sys.modules)"
    )

    done = subprocess.run(
        [sys.executable, "-c", code, str(folder)], capture_output=True, text=True, check=True
    )

    assert done.stdout.strip() == "False"
