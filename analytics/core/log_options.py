"""What the caller says of a log: in SI units, and as people write it."""

from __future__ import annotations

from dataclasses import dataclass

from analytics.core.pull_down import Known
from model import quantities
from model.errors import BadInput
from model.rig import Rig


@dataclass(frozen=True, slots=True)
class DiagnoseOptions:
    """What the caller says of a log, in SI units; see `options_from_text` for how people write it.

    Parameters
    ----------
    unit : str or None
        Unit of the pressures in the file.
    volume_m3 : float or None
        Volume of the isolated circuit [m³].
    target_pa : float or None
        Target that must have been held before the hold [Pa]; not asked for if None.
    limit_pa, rise_pa : float or None
        Permitted pressure and permitted rise [Pa]; the usual 2500 micron if neither is given.
    hold_s : float or None
        Length of the hold [s]; as long as it lasted if None.
    isolated_at : str or None
        When the valve closed, as the file writes times.
    whole_file_is_hold : bool
        The valve was closed from the first row to the last.
    pump_m3_s : float or None
        Rating of the pump [m³/s].
    hose_m : tuple of float or None
        Bore and length of the hose to the pump [m].
    ultimate_pa : float or None
        Ultimate pressure of the pump [Pa].
    """

    unit: str | None = None
    volume_m3: float | None = None
    target_pa: float | None = None
    limit_pa: float | None = None
    rise_pa: float | None = None
    hold_s: float | None = None
    isolated_at: str | None = None
    whole_file_is_hold: bool = False
    pump_m3_s: float | None = None
    hose_m: tuple[float, float] | None = None
    ultimate_pa: float | None = None

    @property
    def rig(self) -> Rig:
        """Pump and hose."""
        bore_m, length_m = self.hose_m or (None, None)
        return Rig(self.pump_m3_s, self.ultimate_pa, bore_m, length_m)

    def known(self, kelvin: float | None) -> Known:
        """What is known of the rig, for its pull-downs; the temperature about it [K]."""
        return Known.of(self.rig, self.volume_m3, kelvin)


def options_from_text(
    *,
    unit: str | None = None,
    volume: str | None = None,
    target: str | None = None,
    limit: str | None = None,
    rise: str | None = None,
    hold: str | None = None,
    isolated_at: str | None = None,
    whole_file_is_hold: bool = False,
    pump: str | None = None,
    hose: str | None = None,
    ultimate: str | None = None,
) -> DiagnoseOptions:
    """Read options as people write them: ``"12 L"``, ``"500 micron"``, ``"30 min"``.

    Raises
    ------
    BadInput
        One sentence, with the option in ``field``.
    """
    if isolated_at is not None and whole_file_is_hold:
        raise BadInput("Either the valve closed at a time or the whole file is the hold, not both.")
    named = unit or ""
    options = DiagnoseOptions(
        unit=unit,
        volume_m3=None if volume is None else quantities.volume(volume, "volume"),
        target_pa=None if target is None else quantities.pressure(target, "target", named),
        limit_pa=None if limit is None else quantities.pressure(limit, "limit", named),
        rise_pa=None if rise is None else quantities.pressure(rise, "rise", named),
        hold_s=None if hold is None else _length(hold),
        isolated_at=isolated_at,
        whole_file_is_hold=whole_file_is_hold,
        pump_m3_s=None if pump is None else quantities.flow(pump, "pump"),
        hose_m=None if hose is None else quantities.hose(hose, "hose"),
        ultimate_pa=None if ultimate is None else quantities.pressure(ultimate, "ultimate", named),
    )
    for name in ("volume_m3", "target_pa", "limit_pa", "rise_pa", "hold_s", "pump_m3_s", "ultimate_pa"):
        value = getattr(options, name)
        if value is not None and not value > 0:
            raise BadInput(f"The {name.split('_')[0]} must be above zero.", field=name.split("_")[0])
    return options


def _length(text: str) -> float:
    """A length of time that says its unit: a bare 30 may be seconds or minutes."""
    _, unit = quantities.split(text, "hold")
    if not unit:
        raise BadInput(f"{text.strip()!r} lacks its unit; write it like '30 min'.", field="hold")
    return quantities.duration(text, "hold")
