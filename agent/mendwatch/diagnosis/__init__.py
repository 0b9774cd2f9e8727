"""Why a rebuild is slow, with figures; no cause rather than a wrong one.

:func:`begin`, :func:`update` once for each sample, :func:`findings` whenever the reason is asked for.
"""

from __future__ import annotations

from mendwatch.diagnosis.facts import suspect_lines
from mendwatch.model.evidence import DiagnosisState
from mendwatch.model.observation import Array
from mendwatch.model.records import Finding, Sample

__all__ = ["DiagnosisState", "begin", "findings", "suspect_lines", "update"]


def begin() -> DiagnosisState:
    """The state before the first sample."""
    return DiagnosisState()


def update(state: DiagnosisState, sample: Sample, array: Array) -> DiagnosisState:  # noqa: ARG001  (deepened next)
    """The state one sample later; ``array`` is as the same poll shows it."""
    return DiagnosisState(state.watched_s + sample.observed_s)


def findings(state: DiagnosisState, array: Array) -> tuple[Finding, ...]:  # noqa: ARG001  (deepened next)
    """The causes that the evidence carries, surest first."""
    return ()
