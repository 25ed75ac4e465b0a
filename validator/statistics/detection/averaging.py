"""How many readings and blanks a routine result averages, and what that does to its variance."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from validator.statistics.detection.inputs import DetectionInputs


def mean_factor(inputs: DetectionInputs) -> float:
    """r/m: variance of a routine mean of m readings over that of a listed blank, itself a mean of r."""
    return inputs.blank_replicates_averaged / inputs.replicates_for_sample


def corrected_factor(inputs: DetectionInputs, n_blanks: int) -> float:
    r"""Variance of a routine result over that of a listed blank: 1/m, plus 1/n_b when blank-corrected.

    n_b is the number of blanks averaged for the routine correction, where stated, else the blanks listed.
    """
    variance = mean_factor(inputs)
    if inputs.blanks_blank_corrected:
        variance += blank_mean_factor(inputs, n_blanks)
    return variance


def blank_mean_factor(inputs: DetectionInputs, n_blanks: int) -> float:
    """Variance of the mean blank that is subtracted, over that of a listed blank."""
    if inputs.blanks_per_correction is None:
        return 1.0 / n_blanks
    return inputs.blank_replicates_averaged / inputs.blanks_per_correction
