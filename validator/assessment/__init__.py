"""Judgement of results: findings, design sufficiency, caveats, verdict. No statistics, no output."""

from validator.assessment.assess import assess, assess_against

__all__ = ["assess", "assess_against"]
