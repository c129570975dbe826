"""A whole plan, as text, as JSON and as a page."""

import json
import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from edge.plan.findings import make_plan
from edge.plan.needs import PlanError, sections_of
from edge.plan.page import page
from edge.plan.report import as_json, as_text
from edge.station.faults import dotted
from tests.plan.stations import NORTH, SOUTH, WELL_7, changed
from tests.plan.weather_files import MEASURED


@pytest.fixture(scope="module")
def survivor():
    return make_plan(changed(WELL_7), WELL_7, years=1)


@pytest.fixture(scope="module")
def loser():
    return make_plan(changed(NORTH), NORTH, years=1)


def test_the_survivor(survivor):
    found = as_json(survivor, 1.234)
    assert found["survives"]
    assert found["years"] == 1
    assert found["worst_month"] == "Dec"
    assert found["loss_of_load_probability"] == 0
    assert found["days_without_data"] == 0
    assert found["autonomy_days"] > 3
    assert found["seconds"] == 1.23
    assert found["panel_w_needed"] <= found["panel_w"] == 80
    assert found["battery_ah_needed"] == found["battery_ah"] == 80
    assert 30 < found["tilt_year_deg"] < found["tilt_worst_month_deg"] < 75
    json.dumps(found, allow_nan=False)


def test_hours_add_up(survivor, loser):
    for found in (as_json(survivor, 0), as_json(loser, 0)):
        assert sum(found["stages"].values()) == pytest.approx(8760)
        assert len(found["months"]) == 12
        assert sum(found["months"][1]["stages"].values()) == pytest.approx(28 * 24)
        assert found["lowest_charge"] == min(m["lowest_charge"] for m in found["months"])
        assert found["days_without_data"] == pytest.approx(
            found["years"] * sum(m["days_without_data"] for m in found["months"])
        )
        lost = sum(
            m["loss_of_load_probability"] * d
            for m, d in zip(
                found["months"], (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31), strict=True
            )
        )
        assert lost / 365 == pytest.approx(found["loss_of_load_probability"], abs=1e-5)


def test_the_loser_says_so_and_what_would_do(loser):
    found = as_json(loser, 0)
    assert not found["survives"]
    assert found["worst_month"] == "Dec"
    assert found["panel_w_needed"] > 4 * found["panel_w"]
    text = as_text(loser)
    assert text.startswith("Ash Creek north does not survive as specified: it is halted")
    assert "where 1 % may be" in text
    assert "the battery must bridge the month" in " ".join(text.split())
    assert "the smallest panel that would do as specified is one of" in " ".join(text.split())
    assert "The panel of 50 W is too small." in text
    assert "With 400 Ah it is one of " in " ".join(text.split())
    assert "That alone does not make it survive. The largest load is computer" in " ".join(
        text.split()
    )
    assert "The single change that helps most" in text
    assert "The rest is out of reach" in " ".join(text.split())


def test_text_names_everything(survivor):
    text = as_text(survivor)
    for words in (
        "survives as specified",
        "MONTH BY MONTH",
        "access-point",
        "IEEE 1013",
        "IEEE 1562",
        "SINGLE CHANGES",
        "CIRCUITS",
        "fuse at its terminal",
        "hydrogen",
        "polarity",
        "Local codes",
        "licensed",
        "seed 1",
    ):
        assert words in " ".join(text.split())
    assert max(map(len, text.splitlines())) <= 80
    assert not re.search(r"\b(nan|inf)\b", text)


def test_a_wire_too_thin_is_objected_to(loser):
    assert "Circuit panel: wire of AWG 16 loses" in " ".join(as_text(loser).split())


def test_a_short_battery_is_named(survivor):
    short = replace(survivor, autonomy_days=2.5)
    assert not short.survives
    deep = replace(survivor, run=replace(survivor.run, charge=survivor.run.charge * 0.3))
    assert "it will not live as long as it could" in " ".join(as_text(deep).split())
    text = " ".join(as_text(short).split())
    assert "survive as specified: the battery alone lasts 2.5 days, where 3 days are" in text
    assert "fed by the battery alone for" in text


def test_a_typical_year_and_nothing_to_shed_or_change(tmp_path):
    (tmp_path / "typical.tm2").write_bytes(MEASURED["12839"].read_bytes())
    text = SOUTH.read_text(encoding="utf-8")
    climate = text[text.index("clearness = [") : text.index('ground = "30 %"')]
    stage = text[text.index("[[energy.stages]]") : text.index("[energy.battery]")]
    circuits = text[text.index("[energy.circuits.battery]") : text.index("[energy.goal]")]
    plain = changed(SOUTH, (stage, ""), (circuits, ""), (climate, 'typical_year = "typical.tm2"\n'))
    found = make_plan(plain, tmp_path / "station.toml", years=7)
    assert found.run.years == 1
    words = " ".join(as_text(found).split())
    assert "with the TMY2 file typical.tm2" in words
    # Over the Gulf to Florida: some 2900 km.
    apart = int(re.search(r"from a place (\d+) km from the station", words)[1])
    assert apart == pytest.approx(2900, rel=0.03)
    assert "the station has no stages to shed load in" in words
    assert "nothing needs to change" in words
    assert "CIRCUITS" not in words
    assert "With less than some ten years of weather" in words
    assert "no load is shed" in page(found)


def test_the_limits_of_cold_and_polar_night():
    polar = changed(
        NORTH,
        ('"-12 degC", "-10 degC"', '"-32 degC", "-30 degC"'),
        ("latitude = 64.05", "latitude = 72.0"),
        ("longitude = -145.70\n", ""),
    )
    found = make_plan(polar, NORTH, years=1)
    text = " ".join(as_text(found).split())
    assert "beyond the polar circle" in text
    assert "freezes, which destroys it" in text
    assert "No longitude is given" in text
    assert found.array is None
    assert as_json(found, 0)["panel_w_by_method"] is None
    assert "METHOD OF IEEE 1562" not in text


class Page(HTMLParser):
    """Notes what a page would fetch, and whether every element is closed."""

    def __init__(self):
        super().__init__()
        self.fetched, self.open, self.ids = [], [], []

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        self.fetched += [v for k, v in attrs if k in {"src", "href", "xlink:href"} and v[0] != "#"]
        if "id" in given:
            self.ids.append(given["id"])
        if tag not in {"meta", "path", "use", "rect"}:
            self.open.append(tag)
        assert tag not in {"script", "link", "iframe"}

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if self.open and self.open[-1] == tag:
            self.open.pop()

    def handle_endtag(self, tag):
        if tag not in {"path", "use", "rect"}:
            assert self.open.pop() == tag


def test_the_page_needs_nothing_else(survivor):
    text = page(survivor)
    parsed = Page()
    parsed.feed(text)
    assert parsed.fetched == []
    assert parsed.open == []
    assert len(parsed.ids) == len(set(parsed.ids))
    assert text.count("<svg") == 3
    assert "url(http" not in text
    assert "prefers-color-scheme: dark" in text
    # All colours are the page's own, so that dark is dark.
    drawings = "".join(re.findall(r"<svg.*?</svg>", text, re.DOTALL))
    assert re.findall(r"(?:fill|stroke): #\w+", drawings) == []


def test_the_page_escapes_names(survivor):
    odd = changed(WELL_7, ('name = "Ash Creek well 7"', 'name = "Creek <b> & south"'))
    text = page(replace(survivor, station=odd))
    assert "Creek &lt;b&gt; &amp; south" in text
    assert "<b>" not in text


def test_a_page_is_the_same_every_time(survivor):
    assert page(survivor) == page(survivor)


def faults(*changes):
    with pytest.raises(PlanError) as caught:
        sections_of(changed(SOUTH, *changes))
    return [f"{dotted(f.key)}: found {f.found}, expected {f.expected}" for f in caught.value.faults]


def section(name):
    text = SOUTH.read_text(encoding="utf-8")
    start = text.index(f"[energy.{name}]")
    return text[start : text.index("\n[", start + 1)]


def test_everything_missing_is_named_at_once():
    text = SOUTH.read_text(encoding="utf-8")
    loads = text[text.index("[energy.loads.computer]") : text.index("[energy.climate]")]
    removed = [section(name) for name in ("battery", "panel", "controller", "climate")]
    found = faults(*((one, "") for one in [*removed, loads, "latitude = 32.24\n"]))
    assert [one.partition(":")[0] for one in found] == [
        "station.latitude",
        "energy.battery",
        "energy.panel",
        "energy.controller",
        "energy.loads",
        "energy.climate",
    ]


def test_a_panel_of_no_power_and_a_station_at_the_pole():
    found = faults(('power = "30 W"', 'power = "0 W"'), ("latitude = 32.24", "latitude = 90.0"))
    assert 'energy.panel.power: found "0 W"' in found[1]
    assert "at a pole no azimuth means anything" in found[0]


def test_shares_that_leave_nothing():
    found = faults(
        ('ageing = "30 %"', 'ageing = "100 %"\nself_discharge = "100 %"'),
        ('soiling = "8 %"', 'soiling = "100 %"'),
    )
    assert [one.partition(":")[0] for one in found] == [
        "energy.battery.ageing",
        "energy.battery.self_discharge",
        "energy.panel.soiling",
    ]
    assert 'found "100 %", expected less: nothing would be left' in found[0]
