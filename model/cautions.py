"""The usual cautions, for wherever something is proposed that somebody may do."""

from __future__ import annotations

CAUTION = (
    "Caution: never open an isolation valve to a stopped pump; never energise a compressor in a vacuum (lock "
    "out compressors and controllers); flammable refrigerants (A2L, A3) need ventilation and ignition "
    "control before a system is opened or a pump is run. The equipment maker's instructions, local codes and "
    "a licensed technician come first."
)
"""Common practice, no source."""
