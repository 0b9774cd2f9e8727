"""The one step that joins the stages: a poll of one source goes in, state, samples and alerts come out.

The daemon, ``replay``, ``demo`` and the tests all drive :func:`step`; only what stands at its two ends differs.
It does no I/O and reads no clock: time is the capture's.
"""

from __future__ import annotations
