"""What is in a cylinder by its analysis: the mixture that counts, how deep it goes, what to say of it.

Must never round towards danger, or take the better of two readings: depths follow from the richer oxygen, the equivalent depths
from the poorer oxygen and the lower helium.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

from cylinder.facts import GasAnalysed, GasAnalysedTwice
from gas.depth import (
    HIGHEST_OXYGEN_ATM,
    WORKING_OXYGEN_ATM,
    ead_ft,
    ead_m,
    end_ft,
    end_m,
    mod_ft_shown,
    mod_m_shown,
)
from gas.mixture import AIR_LOWEST_OXYGEN_FRACTION, Mix

FAINTS_BELOW_OXYGEN_FRACTION = 0.16
"""Below 0.16 atm of oxygen people lose their senses without warning (from memory of the NOAA Diving Manual)."""

OXYGEN_RULES_ABOVE_FRACTION = 0.40
"""Above 40 % everything that the gas touches is treated as in oxygen (29 CFR 1910.430(i), the usual limit of the trade)."""

_FLOAT_NOISE = 1e-9


@dataclass(frozen=True, slots=True)
class Contents:
    """A mixture as it was measured. `mix` is the reading that counts, `thin` the one for equivalent depths."""

    mix: Mix
    thin: Mix

    @property
    def words(self) -> str:
        """ "Nitrox 31.8 %", "Trimix 17.9/44.6"."""
        return self.mix.words()

    @property
    def mods(self) -> tuple[tuple[float, str], ...]:
        """How deep at 1.4 and at 1.6 atm of oxygen, rounded down: the limit, and "34 m, 113 ft"."""
        return tuple(
            (limit, f"{mod_m_shown(self.mix, limit)} m, {mod_ft_shown(self.mix, limit)} ft")
            for limit in (WORKING_OXYGEN_ATM, HIGHEST_OXYGEN_ATM)
        )

    @property
    def equivalents(self) -> tuple[tuple[str, str], ...]:
        """At the depth for 1.4 atm: the air depth of nitrox, or both narcotic depths of a mix with helium. Rounded up."""
        m, ft = mod_m_shown(self.mix), mod_ft_shown(self.mix)
        if not self.mix.helium_fraction:
            return (("Air depth (EAD) there", _up(ead_m(self.thin, m), ead_ft(self.thin, ft))),)
        both = end_m(self.thin, m), end_ft(self.thin, ft)
        nitrogen = (
            end_m(self.thin, m, oxygen_is_narcotic=False),
            end_ft(self.thin, ft, oxygen_is_narcotic=False),
        )
        return (
            ("Narcotic (END) there, oxygen counted", _up(*both)),
            ("Narcotic (END) there, nitrogen alone", _up(*nitrogen)),
        )

    @property
    def cautions(self) -> tuple[str, ...]:
        """What has to be said of a mix outside the usual bounds."""
        said = []
        if self.thin.oxygen_fraction < FAINTS_BELOW_OXYGEN_FRACTION - _FLOAT_NOISE:
            said.append(
                "Too little oxygen to stay awake on at the surface (hypoxic). Never breathe it there: you faint without warning."
            )
        elif self.thin.oxygen_fraction < AIR_LOWEST_OXYGEN_FRACTION - _FLOAT_NOISE:
            said.append("Less oxygen than air: near the surface only as you were trained to.")
        if self.mix.oxygen_fraction > OXYGEN_RULES_ABOVE_FRACTION + _FLOAT_NOISE:
            said.append(
                "More than 40 % oxygen: cylinder, valve and regulator must be clean and fit for oxygen."
            )
        return tuple(said)


def contents_of(analysed: GasAnalysed | None) -> Contents | None:
    """What was measured; None when nothing was, or when what was cannot be so, or has no oxygen to breathe."""
    if analysed is None or not analysed.oxygen_percent:
        return None
    thin_oxygen = analysed.oxygen_percent
    if isinstance(analysed, GasAnalysedTwice):
        thin_oxygen = min(thin_oxygen, analysed.other_oxygen_percent)
    helium = analysed.helium_percent / 100
    try:
        return Contents(Mix(analysed.oxygen_percent / 100, helium), Mix(thin_oxygen / 100, helium))
    except ValueError:
        return None


def _up(m: float, ft: float) -> str:
    return f"{ceil(m - _FLOAT_NOISE)} m, {ceil(ft - _FLOAT_NOISE)} ft"
