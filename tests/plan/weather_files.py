"""Files of typical years: those that pvlib carries, and others written from them."""

from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib

from edge.plan.typical_year import read_year

_DATA = Path(pvlib.__file__).parent / "data"

# Typical years of stations in North Carolina (TMY3), Alaska (TMY3) and Florida (TMY2).
MEASURED = {
    "723170TYA": _DATA / "723170TYA.CSV",
    "703165TY": _DATA / "703165TY.csv",
    "12839": _DATA / "12839.tm2",
}


@cache
def measured_year(name):
    """Return the weather of a file."""
    return read_year(MEASURED[name])


@cache
def read_directly(name):
    """Return a file's table, its place, and the middle of its hours, by pvlib alone."""
    if name == "12839":
        table, about = pvlib.iotools.read_tmy2(MEASURED[name])
        table = table.rename(columns={"GHI": "ghi", "DNI": "dni", "DHI": "dhi"})
        table["temp_air"] = table["DryBulb"] / 10
    else:
        table, about = pvlib.iotools.read_tmy3(MEASURED[name], map_variables=True)
    location = pvlib.location.Location(
        about["latitude"], about["longitude"], f"Etc/GMT{-int(about['TZ']):+d}", about["altitude"]
    )
    times = pd.date_range("2023-01-01 00:30", periods=8760, freq="h", tz=location.tz)
    return table, location, times


def write_epw(file: Path, *, change=lambda columns: None) -> Path:
    """Write the year of North Carolina as an EPW file.

    Columns: EnergyPlus, Auxiliary Programs, section "EnergyPlus Weather File Data Dictionary".
    """
    table, location, _ = read_directly("723170TYA")
    head = f"LOCATION,Ash Creek,-,-,-,0,{location.latitude},{location.longitude},-5.0,273.0"
    lines = [head, *(f"HEADER {n}" for n in range(7))]
    columns = {
        "temperature": table["temp_air"].to_numpy().copy(),
        "ghi": table["ghi"].to_numpy().astype(float),
        "dni": table["dni"].to_numpy().astype(float),
        "dhi": table["dhi"].to_numpy().astype(float),
    }
    change(columns)
    hours = pd.date_range("2023-01-01", periods=8760, freq="h")
    for row, hour in enumerate(hours):
        values = ["0"] * 35
        values[0:6] = ["2023", str(hour.month), str(hour.day), str(hour.hour + 1), "60", "?"]
        values[6] = f"{columns['temperature'][row]:.1f}"
        values[13:16] = [f"{columns[key][row]:.0f}" for key in ("ghi", "dni", "dhi")]
        lines.append(",".join(values))
    file.write_text("\n".join(lines) + "\n")
    return file


def write_pvgis(file: Path) -> Path:
    """Write the year of North Carolina as PVGIS writes its typical year, in UTC.

    Layout as its User Manual shows it, and as pvlib.iotools.read_pvgis_tmy reads it.
    """
    table, location, _ = read_directly("723170TYA")
    figures = table[["temp_air", "ghi", "dni", "dhi"]].to_numpy()
    # What is the first hour in UTC was still the last of the year five hours west of it.
    figures = np.roll(figures, 5, axis=0)
    lines = [
        f"Latitude (decimal degrees): {location.latitude}",
        f"Longitude (decimal degrees): {location.longitude}",
        f"Elevation (m): {location.altitude}",
        "Irradiance Time Offset (h): 0.5",
        "month,year",
        *(f"{month},2023" for month in range(1, 13)),
        "time(UTC),T2m,RH,G(h),Gb(n),Gd(h),IR(h),WS10m,WD10m,SP",
    ]
    hours = pd.date_range("2023-01-01", periods=8760, freq="h")
    for hour, (celsius, level, beam, scattered) in zip(hours, figures, strict=True):
        lines.append(
            f"{hour:%Y%m%d:%H%M},{celsius:.2f},50,{level:.1f},{beam:.1f},{scattered:.1f},0,1,0,1e5"
        )
    file.write_text("\n".join([*lines, "T2m: 2-m air temperature"]) + "\n")
    return file
