"""Judgement of results: findings, design sufficiency, caveats, verdict. No statistics, no output."""

from validator.assessment.assess import assess

__all__ = ["assess"]
