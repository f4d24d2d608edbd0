"""More public logs, by repository, commit, path and digest, with what an independent reading of each gives.

The counts, extremes and spans were read with pandas by the columns' places, and nothing of this project.
"""

from __future__ import annotations

from typing import Any

_CONTROL = ("orri93/analysis", "fbe6f79c501b782ef177b3b93f66289725b0b23c")

_PLATES = ("shoaibsiddique/heating-element-test", "e540d453f3ff1dd6bac74cdff5b31b531ab24ab3")
_PAINT = ("PaRougv/IndustrialOvenHeatUpPrediction", "1538313c8e2c0922f86049faa0aaaf6856cc9465")
_WU = "PT_ECO.TR0{}_WU{}_B15.AA.R2251_ActValue"
_HEAT_FLOW = ("PPeitsch/pkynetics", "09c168818039f5565989d4d15bd6b5bd70c2b1e7")
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
    "F15_paint_oven_utf16.csv": _log(  # ten lines about the channels first, weekday-less dates and am/pm apart
        *_PAINT, "Research Data CED OVEN/Orignal 3 Months Backup/D1_250602030055-250602063055.CSV",
        "95d0bc33c1d0ae0c902551a806e0116a98598495a75fd1999d56c5be58b9601c",
        {_WU.format(1, 311): ("C", 7936, 31.0116748809814, 162.010375976562),
         _WU.format(1, 312): ("C", 7936, 32.140079498291, 192.619979858398),
         _WU.format(1, 314): ("C", 7934, 36.6406936645508, 201.621276855469),
         _WU.format(1, 321): ("C", 7936, 36.3813247680664, 200.856033325195),
         _WU.format(2, 322): ("C", 7936, 34.6822319030762, 197.600524902344),
         _WU.format(2, 323): ("C", 7935, 33.0479927062988, 203.70947265625)},
        start="2025-06-02T03:00:55", end="2025-06-02T06:30:55",
    ),
    "F16_freeze_dryer.csv": _log(  # clock first, day and month without a year, 83.0 where no sensor is
        "Hansen-Group/HansenWiki", "928ace733603bcb1bb98c53c3f29260628d18704",
        "Guides/Visualize_freezedrier_output/MAX F2 RUN1.csv",
        "ba8389de8bedbe0571dfad179cfac454aa3b0807900ae9b3ec3c0e8d75e8147b",
        {"Graf 1 Shelf1": ("C", 1631, -23.5, 29.2), "Graf 3 Shelf3": ("C", 1631, -26.1, 28.2),
         "Graf 5 Shelf5": ("C", 1631, -27.9, 23.9), "Graf 9 Ice condensor": ("C", 1631, -99.6, -95.7),
         "Graf 10 Product": ("C", 1631, -42.0, 29.0)},
        start="2020-10-06T12:58:00", end="2020-10-07T09:13:00",
    ),
    "F17_time_in_six_columns.txt": _log(  # one heading over four columns
        "SengerM/temperature_data_logger", "a0e0ec5ac1466cf728259ffca3a129fddc8946a7", "Python/DATALOG.TXT",
        "8875f0d6f8b570189d8ced147a64e84f4e5f1a34dc97e816f5e3974131df00a9",
        {"Temperatures": ("C", 1820, 8.44, 37.5), "column 8": ("C", 1820, 10.5, 29.5),
         "column 9": ("C", 1820, 8.56, 39.13), "column 10": ("C", 1820, 9.13, 38.13)},
        start="2018-08-19T18:06:03", end="2018-08-22T07:11:27",
    ),
    "F18_units_glued_no_heading.txt": _log(  # the first value behind the time with a blank, the others behind commas
        *_PLATES, "DATALOG_001.TXT", "db3cc490fdaaae41f537e7287e6333d0f93e1fb8bac0d6f8ea6b9ed699bc19c2",
        {"column 2": ("C", 2433, 23.75, 39.19), "column 3": ("C", 2433, 23.75, 38.63),
         "column 4": ("C", 2433, 24.13, 37.63), "column 5": ("C", 2433, 24.31, 37.25),
         "column 6": ("C", 2433, 24.06, 42.88), "column 7": ("C", 2433, 23.94, 34.38)},
        start="2024-01-11T13:01:57", end="2024-01-11T14:40:06",
    ),
    "F19_columns_that_touch_utf16.txt": _log(  # fixed width, until the numbers of the rows grow into the next column
        *_HEAT_FLOW, "src/pkynetics/data/dsc/sample_dsc_setaram.txt",
        "e977a59944e8f7835c35fc6ee9831a397bbf543a8a79b0b1f6d828fe4e37693b",
        {"Furnace": ("C", 13002, 49.917755, 849.371277), "Sample": ("C", 13002, 53.245604, 847.75671)},
        start_s=0.0, end_s=3900.3,
    ),
    "F20_blank_rows_of_delimiters.csv": _log(
        "ioztelli/tempratureLogger", "89875acb2dca70493c36be6a277dc242b449768c", "TEMPLOG.CSV",
        "61e410f89efc4e84d29df9ddaf2e60caa8a09e39feaf6f5a4111d486cf91d467",
        {"column 2": ("C", 496, 16.44, 25.81)}, start="2019-11-03T01:00:00", end="2019-11-03T09:28:00",
    ),
    "F21_date_in_the_heading.csv": _log(  # the same in two units, one number that lost its first digits
        "BlackrazorS2/TR22-TempSensor", "efcc0c88efb6d8e5c04931d25536ddd348ebb58a", "DemoData/DemoDataSet.csv",
        "8f0431ba6c5967a81e714b4c92fbace54146ca514f073e63a6d52f3463939a31",
        {"Ambient": ("F", 231, 0.21, 74.71), "Object": ("F", 231, 47.97, 89.69)},
        start="2021-09-18T15:29:42", end="2021-09-18T15:31:37",
    ),
    "F22_boiling_water.csv": _log(  # rows that lost a cell; six (line 185, 360, 420, ...) slipped
        "jm1261/ThermocoupleMonitoring", "da44eee90215e5b326a09c673713de539c5f95aa",
        "Results/Boiling_Water_250131.csv", "a45a5c73188c5835ba1308bfbc46afce37a72be9e59f3b9f45d17a8dd241653e",
        {"Sensor 1": ("C", 3022, 22.875, 62.437), "Sensor 2": ("C", 3034, 22.375, 23.625),
         "Sensor 3": ("C", 3031, 22.75, 34.5), "Sensor 4": ("C", 3032, 23.187, 70.687),
         "Sensor 5": ("C", 3032, 22.75, 43.0)},
        start="2025-01-25T18:39:44", end="2025-01-25T23:01:03",
    ),
    "F23_rows_with_time_minus_one.txt": _log(  # names of the columns among 25 lines above, -1 where a segment begins
        *_HEAT_FLOW, "src/pkynetics/data/dsc/sample_dsc_tainstruments.txt",
        "6b72c4912a6e770c9a812f1d28c61f13c3671487c72e22f86d6d1340703b9f32",
        {"column 2": ("C", 19000, -21.18314, 69.64201)}, start_s=11279.76, end_s=22259.16,
    ),
    "F24_clock_never_set.txt": _log(
        "flaviopuhl/DataLogger", "53d7f9e9ec31821eba606b845267b31e5de78ff5", "DATALOG.TXT",
        "9619c0eec6c6b7c56d3aa8222469bc0320896447521fe089c89bb9a874c64b71", {},
    ),
}  # fmt: skip
