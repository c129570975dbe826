"""How large panel and battery must be, for a station to do as its goal says.

Theory of operation. A battery must have the autonomy; the panel to go with it is found by the
hour-by-hour run. Whatever a larger panel may do, it never does worse, so sizes are found by
halving. To be quick that is done in the hardest years of those to live through; what is found there
must then hold in all of them.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from edge.plan.advice import HARDEST_YEARS, autonomy_days, shed_hours
from edge.plan.sizes_made import BATTERIES_AH, PANELS_W
from edge.plan.study import Design, Study
from edge.plan.year import Run
from edge.station.energy import Goal

_DAY_S = 86400.0

# A battery so much larger is tried to spare panel.
_TIMES_THE_BATTERY = 2


@dataclass(frozen=True, slots=True)
class Sizes:
    """Panel in W and battery in Ah that do as the goal says."""

    panel_w: float
    battery_ah: float
    shed_hours: float
    """Hours a year in which load is shed with them."""


class Sizing:
    """Finds the smallest panel and battery of a study that do as the goal says."""

    def __init__(self, study: Study, design: Design, base: Run) -> None:
        """Begin with ``design``; ``base`` is how it went."""
        self._study = study
        self._design = design
        self._goal: Goal = study.sections.energy.goal
        self._hard = base.hardest_years(HARDEST_YEARS)

    def pairs(self, *, survives: bool) -> list[Sizes]:
        """Return what would do, each with the smallest panel that goes with its battery.

        First with the battery there is, or, where that has not the autonomy, the smallest that has.
        For a station that ``survives`` then the smallest battery, if that is smaller; for one that
        does not a larger battery, if that spares panel.
        """
        own = self._design.battery_ah
        first = self._with_panel(own) if self._lasts(own) else None
        first = first or self.smallest()
        if first is None:
            return []
        other = self.smallest() if survives else self._with_more_battery(first)
        return [first] if other is None or other.battery_ah == first.battery_ah else [first, other]

    def smallest(self) -> Sizes | None:
        """Return the smallest battery that has the autonomy, and the smallest panel to go with it.

        Where no panel will do, the battery is made larger.
        """
        first = bisect_left(BATTERIES_AH, True, key=self._lasts)
        for battery in BATTERIES_AH[first:]:
            sizes = self._with_panel(battery)
            if sizes is not None:
                return sizes
        return None

    def _with_more_battery(self, first: Sizes) -> Sizes | None:
        """Return a larger battery that does with a smaller panel; None where that helps nothing."""
        at = bisect_left(BATTERIES_AH, _TIMES_THE_BATTERY * first.battery_ah)
        sizes = self._with_panel(BATTERIES_AH[at]) if at < len(BATTERIES_AH) else None
        return sizes if sizes is not None and sizes.panel_w < first.panel_w else None

    def _with_panel(self, battery_ah: float) -> Sizes | None:
        """Return the smallest panel that will do with that battery."""
        hard, share = self._hard, self._goal.loss_of_load.value
        # In the hardest years may be lost all that may be lost at all.
        more = share * self._study.weather.years / len(hard)
        first = bisect_left(PANELS_W, True, key=lambda w: self._holds(w, battery_ah, more, hard))
        found = self._first_from(first, lambda w: self._holds(w, battery_ah, share))
        if found is None:
            return None
        went = self._study.run(self._design.bigger(panel_w=found, battery_ah=battery_ah))
        return Sizes(found, battery_ah, shed_hours(went))

    @staticmethod
    def _first_from(first: int, holds: Callable[[float], bool]) -> float | None:
        """Return the smallest panel that holds; most likely it is the first of these."""
        if first < len(PANELS_W) and not holds(PANELS_W[first]):
            first = bisect_left(PANELS_W, True, lo=first + 1, key=holds)
        return PANELS_W[first] if first < len(PANELS_W) else None

    def _lasts(self, battery_ah: float) -> bool:
        bigger = self._design.bigger(battery_ah=battery_ah)
        return autonomy_days(self._study, bigger) * _DAY_S >= self._goal.autonomy.value

    def _holds(
        self, panel_w: float, battery_ah: float, share: float, years: Sequence[int] | None = None
    ) -> bool:
        """Whether a design loses no more than that share of the hours."""
        design = self._design.bigger(panel_w=panel_w, battery_ah=battery_ah)
        return self._fills(design) and self._study.holds(design, share, years)

    def _fills(self, design: Design) -> bool:
        """Whether over a year the panel gives what the leanest stage takes.

        If not, a battery may be so large that it lives on its first charge for years.
        """
        given = sum(self._study.panel_wh(design)) / 12
        return given >= min(one.wh_per_day for one in self._study.demands(design) if one.measures)
