"""How large panel and battery must be, for a station to do as its goal says.

Theory of operation. A battery must have the autonomy; the panel to go with it is found by the
hour-by-hour run. Whatever a larger panel may do, it never does worse, so sizes are found by
halving. To be quick that is done in the hardest years of those to live through; what is found there
must then hold in all of them.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
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
        if not survives:
            other = self._with_more_battery(first)
        else:
            smaller = [one for one in self._that_last() if one < first.battery_ah]
            other = self.smallest() if smaller else None
        return [first] if other is None else [first, other]

    def smallest(self) -> Sizes | None:
        """Return the smallest battery that has the autonomy, and the smallest panel to go with it.

        Where no panel will do, the battery is made larger.
        """
        for battery in self._that_last():
            sizes = self._with_panel(battery)
            if sizes is not None:
                return sizes
        return None

    def _that_last(self) -> Sequence[float]:
        """Return the batteries that have the autonomy."""
        return BATTERIES_AH[bisect_left(BATTERIES_AH, True, key=self._lasts) :]

    def _with_more_battery(self, first: Sizes) -> Sizes | None:
        """Return a larger battery that does with a smaller panel; None where that helps nothing."""
        at = bisect_left(BATTERIES_AH, _TIMES_THE_BATTERY * first.battery_ah)
        smaller = bisect_left(PANELS_W, first.panel_w)
        return self._with_panel(BATTERIES_AH[at], smaller) if at < len(BATTERIES_AH) else None

    def _with_panel(self, battery_ah: float, most: int = len(PANELS_W)) -> Sizes | None:
        """Return the smallest panel that will do with that battery, of so many that are made."""
        panels = PANELS_W[:most]
        hard, share = self._hard, self._goal.loss_of_load.value
        # In the hardest years may be lost all that may be lost at all.
        more = share * self._study.weather.years / len(hard)
        first = bisect_left(panels, True, key=lambda w: self._goes(w, battery_ah, more, hard))
        went: dict[float, Run | None] = {}

        def holds(panel_w: float) -> bool:
            went[panel_w] = self._went(panel_w, battery_ah, share)
            return went[panel_w] is not None

        # Most likely it is the first of these.
        if first < len(panels) and not holds(panels[first]):
            first = bisect_left(panels, True, lo=first + 1, key=holds)
        found = went.get(panels[first]) if first < len(panels) else None
        return None if found is None else Sizes(panels[first], battery_ah, shed_hours(found))

    def _lasts(self, battery_ah: float) -> bool:
        bigger = self._design.bigger(battery_ah=battery_ah)
        return autonomy_days(self._study, bigger) * _DAY_S >= self._goal.autonomy.value

    def _goes(self, panel_w: float, battery_ah: float, share: float, years: Sequence[int]) -> bool:
        """Whether a design loses no more than that share of the hours in these years."""
        return self._went(panel_w, battery_ah, share, years) is not None

    def _went(
        self,
        panel_w: float,
        battery_ah: float,
        share: float,
        years: Sequence[int] | None = None,
    ) -> Run | None:
        """Return how a design went that loses no more than that share of the hours."""
        design = self._design.bigger(panel_w=panel_w, battery_ah=battery_ah)
        return self._study.survived(design, share, years) if self._fills(design) else None

    def _fills(self, design: Design) -> bool:
        """Whether over a year the panel gives what the leanest stage takes.

        If not, a battery may be so large that it lives on its first charge for years.
        """
        given = sum(self._study.panel_wh(design)) / 12
        return given >= min(one.wh_per_day for one in self._study.demands(design) if one.measures)
