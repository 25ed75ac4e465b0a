"""Results and criteria to findings, design sufficiency, caveats and verdict."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace

from validator.assessment.caveats import raised_caveats
from validator.assessment.design import design_findings
from validator.assessment.guidance_findings import guidance_findings, profiles_of
from validator.assessment.own_criteria import own_findings
from validator.assessment.verdict import held_back, verdict
from validator.evaluation.results import Assessment, Results

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.guidance import Profile
    from validator.study import Study


def assess(study: Study, results: Results) -> Results:
    """The *results* with their assessment added.

    Raises:
        GuidanceError: the study names a guidance profile that is unknown or malformed.
    """
    return assess_against(study, results, profiles_of(study))


def assess_against(study: Study, results: Results, profiles: Sequence[Profile]) -> Results:
    """As ``assess``, against *profiles* read beforehand, for whoever judges many studies."""
    own = own_findings(study, results)
    findings = own + guidance_findings(study, results, profiles, own)
    design = design_findings(study, profiles)
    caveats = raised_caveats(study, results, profiles, findings, design)
    findings = held_back(findings, caveats)
    assessment = Assessment(
        verdict=verdict(findings, design, caveats), findings=findings, design=design, caveats=caveats
    )
    return replace(results, assessment=assessment)
