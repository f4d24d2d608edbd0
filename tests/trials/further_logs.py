"""Thirteen more public logs, by repository, commit, path and digest, with what an independent reading of each gives.

The counts, extremes and spans were read with pandas by the columns' places, and nothing of this project.
"""

from __future__ import annotations

from typing import Any

_CONTROL = ("orri93/analysis", "fbe6f79c501b782ef177b3b93f66289725b0b23c")

_HEATER = ("PTanalikhit9/thermocouple_k_type", "64c611554999726aebbfc452839c40c2a898620c")


def _log(
    repo: str, commit: str, path: str, sha256: str, channels: dict[str, tuple[str, int, float | None, float | None]],
    **time: Any,
) -> dict[str, Any]:  # fmt: skip
    return {
        "source": {"repo": repo, "commit": commit, "path": path},
        "sha256": sha256,
        "channels": {n: dict(zip(("unit", "n", "min", "max"), c, strict=True)) for n, c in channels.items()},
        "time": time,
    }


FURTHER: dict[str, dict[str, Any]] = {
    "F01_controller_no_heading_ms.csv": _log(
        *_CONTROL, "var/tc/raw/191122.csv", "939bca14a599a2b8c91d1d3ba7b3c952c909f3dfe7f8aee1002b4012533e82bc",
        {"column 4": ("C", 14634, 15.25, 181.75)}, start_ms=87754496, end_ms=90707504,
    ),
    "F02_controller_heading.csv": _log(
        *_CONTROL, "var/pid/csv/200413a.csv", "8023bb370ef3f4e31afc591247ee2e57a329f79a4e012191fbca42d824cfcd0b",
        {"temperature": ("C", 2974, 24.5, 107.0)}, start_s=0.0, end_s=743.25,
    ),
    "F03_terminal_cut_last_row.csv": _log(
        *_CONTROL, "var/pid/march/putty.csv", "45bdecbd5ed88ac61ae0930ea96f86a406c05776a42f59197c0ce896ab7b7223",
        {"column 4": ("C", 1349, 36.91, 209.06)}, start_ms=269088, end_ms=943577,
    ),
    "F04_terminal_one_cell_last.log": _log(
        *_CONTROL, "var/pid/march/putty-020190202161631.log",
        "9e463f1b75c62a996e3df1cb04f3f43dd3c6d498676fc8f6750ed7d327f276c9",
        {"column 4": ("C", 15718, 34.66, 315.53)}, start_ms=91777, end_ms=7955992,
    ),
    "F05_controller_run.csv": _log(
        *_CONTROL, "var/pid/november/191123run.csv", "363eb7e6f387b380b1bc3d23c785b36bb64edfd1c0122e0dbe3c1b988c21bb49",
        {"column 4": ("C", 4335, 21.75, 102.0)}, start_ms=336733568, end_ms=341067584,
    ),
    "F06_seven_sheets.xlsx": _log(
        *_CONTROL, "var/pid/excel/200413c.xlsx", "6f9aa4725110b7d2f96f041ab08dc868eacbcaa4d3e39df2b460695e8bfb6b39",
        {"temperature": ("C", 6765, None, None)}, start_s=0.0, end_s=1691.0,
    ),
    "F08_five_sensors.csv": _log(
        "jm1261/ThermocoupleMonitoring", "da44eee90215e5b326a09c673713de539c5f95aa", "Tutorials/Cups_of_Tea.csv",
        "982dc591f6c49977af20b1aedd9be182f7db1cfea6d60541d647e5baaeb034d2",
        {"Sensor 1": ("C", 517, 25.562, 77.125), "Sensor 2": ("C", 516, 23.312, 75.0),
         "Sensor 3": ("C", 518, 25.5, 76.937), "Sensor 4": ("C", 517, 23.5, 74.375),
         "Sensor 5": ("C", 514, 20.812, 75.187)},
        start="2025-01-24T14:18:49.325689", end="2025-01-24T15:03:05.794892",
    ),
    "F09_press_constant.csv": _log(
        "epsilon-naut/Morris-HPS-5015-Furnace-Data-Logging", "9444c46f05a9c75bfedf7b88e45e722f834fea3e", "wtf.csv",
        "7f4010396c5fa9452c4f17f4f260a110ded01800037e0a12c22194544d1d4584",
        {"Temperature": ("C", 91, 415.0, 415.0)}, start="2025-08-20T18:54:55", end="2025-08-20T18:55:07",
    ),
    "F10_cure_oven.xlsx": _log(
        "Mfirdausba/Encap-Oven-Temperature-Profile-2025", "171139b83bd72126ffd1de76e693f01560b2fc4f", "MEM#03.xlsx",
        "2b76954e4d20e4e98723c619ea6f2b3fab1c7401cc3e90aacd95d8f006a4930d",
        {"MEM#03": ("C", 34011, None, None)},
    ),
    "F11_long_ms.csv": _log(
        "ctay22/therm-exp", "d0a7ae26f2946dc7aca347c0edeabbcc42a24a95",
        "ExperimentalData-JAN2024/Completed Samples/Backfills/B&L Beta Mini Backfill.csv",
        "787c3e7f987f81f23d91b0d7fd371d9261dc4cd8bd2507dac55488d6a334967f",
        {"tc1": ("C", 31890, 23.8125, 134.875), "ambient": ("C", 31890, 22.5625, 23.0625)},
        start_ms=3004081, end_ms=4599327,
    ),
    "F12_bake_kelvin.csv": _log(
        "Becker-11/heat-treatments", "1cc219250ce434b6ca240da065efdfecd14eee50", "Data/298tT.csv",
        "9811adf8e3a794cae6f66ad0e03cde0cbb209c5c4124e40177ccdba317e84443",
        {"temperature": ("K", 5875, 297.15, 544.15)}, start_s=0, end_s=81564,
    ),
    "F13_date_and_time_apart.xlsm": _log(
        *_HEATER, "230823_result.xlsm", "c54cf04db8068bf3c9f2773b01a18791a8d6a9c25dab5d6613d8fc9b5f47e1d3",
        {"Inside Temp": ("C", 1086, 20.25, 54.75), "Outside Temp": ("C", 1086, 20.25, 27.0)},
        start="2023-08-23T17:16:19", end="2023-08-24T10:24:51",
    ),
    "F14_twelve_sheets.xlsx": _log(
        *_HEATER, "all_data.xlsx", "ec6a8b8682708afe44fb3d151b650921835c611dcdbb13f6f4fa504c850774aa",
        {"Inside Temp": ("C", 1117, 84.25, 116.0), "Outside Temp": ("C", 1117, 21.5, 30.25)},
        start="2023-08-24T17:57:06", end="2023-08-25T12:33:56",
    ),
}  # fmt: skip
