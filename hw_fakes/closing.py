"""Draws up the ledger of a bench run, from the station's journal and the receiver's books."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from time import monotonic
from typing import Any

from edge.journal.journal import Journal
from edge.measure.meter import Meter
from edge.readings import Journalled
from edge.station.measured import LoopChannel, PulseChannel
from edge.status import Reason
from edge.units import Dimension
from edge.uplink.books import Books
from hw_fakes.bench_state import BenchPlan, BenchState
from hw_fakes.energy_account import EnergyAccount
from hw_fakes.ledger import Ledger, draw_up
from hw_fakes.promise import hours_of
from hw_fakes.trace import Span


def close_accounts(
    state: BenchState, journal_path: Path, arrived: Mapping[int, Journalled]
) -> Ledger:
    """Return the ledger of a run that is over; ``arrived`` is what the receiver got, by number."""
    plan, station, hardware = state.plan, state.plan.station, state.hardware
    books = state.receiver.library.books.get(station.station.id) or Books()
    journal = Journal(journal_path)
    try:
        kept = list(journal.fetch(1, journal.newest))
        unsent = [one.seq for one in kept if one.seq not in journal.sent]
    finally:
        journal.close()
    return draw_up(
        state.computer.made,
        kept,
        books,
        arrived,
        truth=lambda series, utc_ms: hardware.truth(series, min(utc_ms, plan.end_utc_ms)),
        levels=_levels(plan),
        pulses=_pulses(state, kept),
        malformed=state.receiver.library.malformed,
        faults=bool(plan.dead),
        notes=_notes(state),
        waiting=unsent if _sends_by_the_hour(state) else (),
        energy=_lived(state, kept, arrived) if station.energy else None,
    )


def _sends_by_the_hour(state: BenchState) -> bool:
    """Tell whether the station may end with readings that it was not to send yet."""
    publisher = state.daemon.publisher
    return not state.computer.on or (publisher is not None and not publisher.timetable.lingers)


def _pulses(state: BenchState, kept: Sequence[Journalled]) -> tuple[int, int]:
    """Return the pulses that the meters gave, and those of the station's last totals."""
    plan, station = state.plan, state.plan.station
    # Where a volume is not a whole number of pulses, the ledger has no pulses to compare.
    volume_per_pulse = {
        name: meter.volume_per_pulse
        for name, channel in station.measured.items()
        if isinstance(channel, PulseChannel)
        and (channel.bus, channel.device) not in plan.dead
        and isinstance(meter := channel.meter(), Meter)
    }
    # With the computer off nobody has counted to the end.
    if not state.computer.on:
        return 0, 0
    last = {reading.series: reading for reading in kept}
    counted = {name: last.get(f"{name}.total") for name in volume_per_pulse}
    station_pulses = sum(
        round(reading.value / volume_per_pulse[name])
        for name, reading in counted.items()
        if reading and reading.value is not None
    )
    return sum(state.hardware.pulses(name) for name in volume_per_pulse), station_pulses


def _levels(plan: BenchPlan) -> dict[str, float]:
    """Return the range in metres of every level transmitter that answers."""
    return {
        name: abs(channel.range[1].value - channel.range[0].value)
        for name, channel in plan.station.measured.items()
        if isinstance(channel, LoopChannel)
        and channel.range
        and channel.range[0].dimension is Dimension.LENGTH
        and (channel.bus, channel.device) not in plan.dead
    }


def _lived(
    state: BenchState, kept: Iterable[Journalled], arrived: Mapping[int, Journalled]
) -> EnergyAccount:
    plan, trace = state.plan, state.trace
    spans = list(trace.spans())
    hours = hours_of(
        plan.station, spans, kept, arrived, begin_ms=plan.start_utc_ms, end_ms=plan.end_utc_ms
    )
    by_stage: dict[str, float] = {}
    for span in spans:
        where = _where(span)
        by_stage[where] = by_stage.get(where, 0.0) + span.hours
    return EnergyAccount(
        weather=plan.weather,
        hours_by_stage=by_stage,
        moves=[
            {
                "time": plan.local(after.utc_ms),
                "from": before.stage,
                "to": after.stage,
                "why": after.why,
            }
            for before, after in trace.moves
        ],
        given_up=sum(reading.reason is Reason.SHED for reading in kept),
        hours=hours,
        halts=state.computer.halts,
        power_cuts=state.computer.power_cuts,
        trace=trace,
    )


def _where(span: Span) -> str:
    return span.stage if span.up else f"{span.stage}, computer off"


def _notes(state: BenchState) -> dict[str, Any]:
    plan = state.plan
    return {
        "events": state.events,
        "days": plan.days,
        "speed": plan.speed,
        "seconds": round(monotonic() - state.began, 1),
        "seed": plan.seed,
        "broker": state.broker_name,
        "link_cuts": int(plan.link_cut_at is not None),
        "broker_restarts": int(plan.broker_restart_at is not None and plan.broker is None),
    }
