"""What a method is for: the kinds that guidance tells apart."""

from __future__ import annotations

from typing import get_args

import pytest

from validator.guidance import Kind
from validator.study.models.method import MethodKind

STUDY = """\
format: validation-study/1
study: {{title: A study}}
method:
  kind: {kind}
  analytes: [{{id: x, name: x, unit: mg/L, signal: signal, signal_unit: "1"}}]
"""


@pytest.mark.parametrize("kind", get_args(MethodKind))
def test_a_kind_is_read_as_written(study_of, kind):
    """Every kind that the format knows."""
    assert study_of(head=STUDY.format(kind=kind)).method.kind == kind


def test_a_method_need_not_state_its_kind(study_of):
    """Without one, only rules for any kind of method hold."""
    assert study_of().method.kind is None


def test_a_kind_that_is_not_known_is_refused_with_the_nearest(problems_of):
    """The line, the field and the kind that was probably meant."""
    assert problems_of(head=STUDY.format(kind="impurity_quantitave")) == [
        "study.yaml:4: method.kind: assay, impurity_quantitative, impurity_limit, identification, trace or "
        "screening is expected here, found 'impurity_quantitave'; did you mean 'impurity_quantitative'?"
    ]


def test_study_and_guidance_speak_of_the_same_kinds():
    """What a study can state is what a profile can tell apart; 'any' is the profile's word for unstated."""
    assert {Kind.ANY, *map(Kind, get_args(MethodKind))} == set(Kind)
