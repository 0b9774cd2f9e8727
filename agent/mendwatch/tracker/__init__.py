"""From observations to what goes on: arrays with an identity, rebuilds, passes and degraded windows.

:func:`mendwatch.tracker.track.track` takes one poll further; everything here is pure.
"""
