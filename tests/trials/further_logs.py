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
    "F25_pairs_behind_a_count_f.log": _log(  # key=value unit behind seconds since 1970; other units
        "TimothyLe/temp-graf", "2790bb749660bb506233938a8ed973410032e936", "temperature.log",
        "888ee88407ebff3180013f2012f9c78354fee5b00e80febebe7189ef82494e55",
        {"CPU_TEMP": ("F", 15415, 113.2, 141.3)}, start="2020-09-01T21:57:56.660247+00:00", span_s=136747.395,
    ),
    "F26_us_dates_setpoint_output.csv": _log(  # month first, two digits of the year; setpoint and output beside
        "AndresHugoBernardez/FuncionTransferencia1erOrden", "0628ea9a4797755bbf050a805acafe1ffcb770bd", "TEMP.CSV",
        "16cff925ec1bce54f875481afcdc1db8b5d789d3ea2f391bca685ecd4ccac432",
        {"TEMPERATURA": ("C", 1801, 29.06, 39.03), "SETPOINT": ("C", 1801, 35.0, 35.0)},
         start="2017-03-13T18:58:31", end="2017-03-13T19:28:31",
    ),
    "F27_dashes_thousandths_bare.csv": _log(  # dashes throughout, thousandths without leading zeros, no heading
        "Zaliphyr/Fridge-statistics", "e1042ff147605134ef3dd206b6aa2de2d9ee819f", "temps.csv",
        "45a8cfed85c5b3884bf4a4f1bd193358a5721200be07a073bd418e616f1a3558",
        {"column 3": ("C", 9831, -1.37, 9.25), "column 4": ("C", 9831, 3.75, 16.95), "column 5": ("C", 9831,
         5.97, 18.4), "column 6": ("C", 9831, -2.14, 8.42), "column 7": ("C", 9831, 23.12, 26.43), "column 8":
         ("C", 9831, -48.91, 17.33), "column 9": ("C", 9831, -0.74, 12.3), "column 10": ("C", 9831, 5.66,
         17.19), "column 11": ("C", 9831, -0.18, 13.29)}, start="2022-11-14T20:39:59.864", span_s=84669.786,
    ),
    "F28_long_no_heading.csv": _log(  # a row for each sensor in turn
        "themiurge/thermiurge", "2260b110fa2c1d7f45daab3eda587cfedb59b878", "temps.csv",
        "715db393b7b02f8de917380760a14210716bab919fe576d5bcfe67a29217dd7f",
        {"outside temp cold": ("C", 21721, 11.38, 18.19), "inside temp #1": ("C", 21754, 18.375, 19.937)},
         start="2017-04-30T11:38:08.638521", span_s=85624.587,
    ),
    "F29_since_1970_wide_blanks.log": _log(  # a heading with wide blanks over single ones
        "georgeredinger/DS18B20", "bac826d89f07aa8e17cfdb90f563c143ff3ea7f5", "temperature.log",
        "e1e3e37b667d0a51c40d29a0369a980b07906e7a68a2064ac432144417f2fe64",
        {"Temperature": ("F", 6619, 35.825, 113.112)}, start="2012-09-25T19:22:02+00:00", span_s=252203,
    ),
    "F30_value_before_the_time.log": _log(  # 39.433C,Mon Sep 28 16:18:02 EDT 2020
        "bjk116/temperature_logger", "9a7416233e02a76ffe69a41cf17b7866061d2c3f", "logs/temp.log",
        "a5ae3f15d3495e22f40143a407f396bfcd69b67c9031addefcdc0947f8500041",
        {"column 1": ("C", 2043, 36.511, 45.277)}, start="2020-09-28T16:18:02-04:00", span_s=61289,
    ),
    "F31_group_row_empty_columns.csv": _log(  # two rows of headings, the first of signs; six empty columns
        "jakkrapat141147/Measurement", "bccab053a686dce1a10477027dda5f36b5fc76e9", "temperature_log_final.csv",
        "d5d2cd1a7f26d15bba2fc65f928cc1ace4d0593edae82b5051a4dfecc0fbfd61",
        {"???????????? Temp": ("C", 340, 20.0, 50.0)}, start_s=0, end_s=369,
    ),
    "F32_count_begins_again_seven_times.csv": _log(  # short stretches between long ones, no heading
        "nikodem681/MCP2210-Wrapper", "19f3b6fe28c04cb0d9d9964dcb0adb028746d282", "temperature_log.csv",
        "61b8936f0deff8233b24e6d5067ac386ee9f67dcfc13877384406529e8d246d1",
        {"column 2": ("C", 1085, 23.75, 108.5)}, span_s=65068.667,
    ),
    "F33_two_loggers_joined.csv": _log(  # blanks where one had no reading; three rows twice
        "kzleong/DataLogger", "916a32391a7c6bc3f776f800155d30441c951a58", "combined_data.csv",
        "f35e2a3f22a0171e4d3b6fa4372f0b2b6818cfe4649b5bf60c46072bb7332d5a",
        {"Temperature": ("C", 8916, 20.47, 26.45)}, start="2024-12-04T15:25:06", end="2024-12-04T18:13:35",
    ),
    "F34_raw_counts.csv": _log(  # readings of converters, no temperature
        "Thor-Bridger/data_logging_v2", "a5b9e4a1f42d57078c3d260e7bae31ef36a75ed0",
        "data_dump/2025-12-04_10-40-26.csv",
        "32561c4cffaa4fec4a6f73165b223d58ff00bc4ba2100dbc4260355ddae62a36",
        {},
    ),
    "F35_three_sensors_humidity.csv": _log(
        "jad507/OGRE_lab", "89794b5878e95307d3db50f57b1eab1bb8c6c36d", "temperature/temperature_log2.csv",
        "90a36ade89ff140c43e008bace4725249425a03e0931425833ce9dd54bc7053b",
        {"SHT_Temperature": ("C", 62413, 20.09, 22.48), "MCP_Temperature": ("C", 62413, 20.44, 21.81),
         "HDC_Temperature": ("C", 62413, 21.18, 23.51)}, start="2025-11-24T17:06:45", end="2025-11-25T11:04:41",
    ),
    "F36_reflow_two_a_second.csv": _log(  # two readings a second; -200.1 seven times, single readings to 427
        "angelinemaudsley/ELEC291", "dc79c07e8e2d17f363129d5fe1363c7bd66f769c", "temperature_log.csv",
        "1a18816f9a7b8aa8059669648e0799e916ec0f6c82740669320c91ae9cb3b7dc",
        {"Multimeter Temp": ("C", 959, -157.3, 426.9)}, start="2025-02-11T15:37:23",
         end="2025-02-11T15:47:43.5",
    ),
    "F37_heading_split_otherwise.csv": _log(  # a heading with commas, rows with tabs; ten runs in one file
        "Himsh1216/python-heater", "83a4a2f0eeb2b08442af6012f08bb8d42ead7f0a", "temperature_log.csv",
        "9f3907aa99dc07aa5c127530bc5bcb7a5d3f4fc401c36f146e51c1488ecbfa08",
        {"Set Temperature": ("C", 189, 145.0, 200.0), "Current Temperature": ("C", 189, 44.97307, 202.6402)},
         span_s=239.91,
    ),
    "F38_heading_again_indented.csv": _log(  # a heading again, rows with blanks before them, one damaged time
        "AdaoH3/researchCoolerProj", "e9fc50db26336e0cc5f7cb7496b193241e466a66", "temperature_log.csv",
        "fd43178d36088d5e4569312f52538047f973612e3c3ac97eb621bdfab76c389b",
        {"Radiator": ("C", 1702, 0.0, 38.0), "Room": ("C", 1702, 15.0, 41.0)}, start="2025-02-22T15:07:03",
         end="2025-02-23T17:57:01",
    ),
    "F39_chip_floor_elapsed.csv": _log(  # hours elapsed, blanks, -45 once
        "jesnyder/mycoReactor", "da1480e0e42e9909e3335d8184d4c7162d59e5af", "results/heater/202602111639.csv",
        "9b9e232a41af98a92eae9ea6ff49c9b2df6924af562569037128df8c82a807eb",
        {"Temperature": ("C", 616, 52.2, 60.8)}, start_s=0, end_s=6323,
    ),
    "F40_long_in_blocks.csv": _log(  # a room's rows, then three sensors' in turn; no heading
        "mauricegeerkens/Vino_temp_control", "3650eb627dd63cd0f13e79340b0a51cb8f8763d9", "temperature_log.csv",
        "00d6251ddae501d776fcd50dab210004b39110d0311c15f38ecbd993df4f7092",
        {"room": ("C", 15, 11.5, 13.0), "sensor1": ("C", 5, 12.5, 13.0), "sensor2": ("C", 5, 13.1, 13.6),
         "sensor3": ("C", 5, 14.0, 14.5)}, start="2023-08-21T00:00:00+00:00", span_s=212800,
    ),
    "F41_export_of_powers.csv": _log(  # four powers and currents of a furnace one after the other, no temperature
        "BramBastiaansenNL/Furnace-Model", "ac7ff4524e9918c173f0c33c40bd946e0621eade",
        "Measurements/Data/influx_data_cone.csv",
        "fca655bc92bee01a9903e81396fdbfb9a413d94633e9c0e6e9b12a07cd9a2231",
        {},
    ),
    "F42_array_on_one_line.json": _log(  # nearly 20,000 objects on one line; single readings from -50 to 995
        "tobiasthorsen/heatmachine", "258ece53ebee96cae9a4803c559f42e525162667", "temperatures.json",
        "2db75e8b4db44ba06eff97a9cf8cf61ff6a070cefeb3b89fbfe00c918107ebab",
        {"tempThermo": ("C", 19970, -50.0657, 995.31575), "tempInternal": ("C", 19970, 21.5625, 48.0)},
         start="2025-11-03T12:00:53+00:00", span_s=86399,
    ),
    "F43_arrays_in_an_array.json": _log(  # milliseconds since 1970, no names
        "thekevster08/FermentationChamber", "3014bb123e6948c1aedbaf1efc16c2629aee5c92", "static/temperatures.json",
        "52c3f9c31664e50aba897e6686d77556d0afe63626c5678dcaf2b291192268aa",
        {"column 2": ("F", 29909, 65, 70), "column 3": ("F", 29909, 70, 75), "column 4": ("F", 29909, 75, 80)},
         start="2015-12-18T04:11:15+00:00", span_s=158249,
    ),
    "F44_small_array.json": _log(
        "rlipscombe/fridge-thermometer", "0cca0f9412af9bc6f266a8fe549bfaea898d358d", "temperatures.json",
        "87cb736faf6ab66dc6f986c71193242676a79e083d69a216889ba78e5bf4fd30",
        {"temperature": ("C", 60, 10.61129, 12.0327)}, start="2026-07-11T06:45:08+00:00", span_s=3552,
    ),
    "F45_frozen_cold_store.csv": _log(  # five channels that never change
        "dreamzautomation/coldstorage", "3bc78701b1a45ffcd747d8682e3dfcf7e2b1f0b0", "temp_log.csv",
        "93d04d51659b523ce8d898cc77d3cf401562d72235f91f95113afc1bb2b532db",
        {"Temperature 1": ("C", 47, 14.25441, 14.25441), "Temperature 2": ("C", 47, 21.5652, 21.5652),
         "Temperature 3": ("C", 47, 20.7855, 20.7855), "Temperature 5": ("C", 47, 16.29176, 16.29176),
         "Temperature 4": ("C", 47, 11.42725, 11.42725)}, start="2025-05-18T12:31:33",
         end="2025-05-18T12:37:41",
    ),
    "F46_cooling_no_heading.csv": _log(
        "eduardo99rojas/newtons_law_cooling", "44beed7de96e7f30e95737c15da0cc571ec04ca6", "temperaturas.csv",
        "6c4d337824d33c149b3776a49fc70ff9f4c6444eb242294ca861b2d02226c48e",
        {"column 2": ("C", 735, 25.97309, 108.93633), "column 3": ("C", 735, 22.1981, 23.76552)}, start_s=0,
         end_s=395.085,
    ),
    "F47_clock_set_back_f.xlsx": _log(  # the clock set back twice, four channels of zeros, days and weeks beside
        "dievalhu/thermal_monitoring", "952c501782bed934d3c40498a13cad802e0c4837", "temperature_data.xlsx",
        "c77e665de0e1e80b3dbb85dbe7098fba48b616178042d36dedc34d8c3442922b",
        {"C1": ("F", 4505, 63.6, 85.2), "C2": ("F", 4505, 0.0, 85.0), "C3": ("F", 4505, 62.6, 88.0), "C4": ("F",
         4505, 0.0, 85.8), "C5": ("F", 4505, 0.0, 0.0), "C6": ("F", 4505, 0.0, 0.0), "C7": ("F", 4505, 0.0,
         0.0), "C8": ("F", 4505, 0.0, 0.0), "A1": ("F", 4505, 0.0, 78.4), "A2": ("F", 4505, 57.8, 77.0)},
         start="2024-09-08T13:37:01", span_s=3606029,
    ),
    "F48_reflow_by_command.log": _log(  # a JSON object a line, the quantity by its number, hundredths
        "windsorschmidt/reflow", "96fc2ec3fa65cbd8dfdaf225b4b3147277c5fd29", "plot/reflow_example.log",
        "562b6970ac542c93ef3fd11d3bf3dfa86308ccf82cf4466e6c470f25e89d1c7d",
        {"257": ("C", 389, 34.25, 230.25)}, start_ms=473363, end_ms=863309,
    ),
    "F49_blanks_nine_of_ten.lvm": _log(  # temperatures in three rows of ten, volts in each; an empty column of comments
        "KinXY/VM235_Fridge_Lab", "54a31390c7cc67cf8232576cf57fe368adda7bd4",
        "data.lvm",
        "7f1657f58e3ae1cafcd66e85bf317d2c688d14585639acff42bf1924561bc0b0",
        {"T5": ("C", 279, 53.454917, 53.763008),
         "T6": ("C", 279, 45.850598, 46.032604),
         "T7": ("C", 279, 2.211199, 2.335166),
         "T8": ("C", 279, 1.805362, 1.930884),
         "T1": ("C", 279, -1.688541, -1.011427),
         "T2": ("C", 279, 66.349947, 66.606911),
         "T3": ("C", 279, 59.050128, 60.169116),
         "T4": ("C", 279, 56.862164, 57.591692),
         "T9": ("C", 279, 0.940144, 1.020084),
         "T10": ("C", 279, 10.170872, 10.220995),
         "T11": ("C", 279, 21.479446, 21.553305),
         "T_Ambient": ("C", 279, 24.204302, 24.305868)}, start_s=0.0, end_s=176.24062,
    ),
    "F50_count_tab_unit.log": _log(  # seconds since 1970, a tab, 22.3 C; a gap of 140 hours
        "charlie-nickerson/Remote-Temperature-Monitor", "92f027d1af061e931db97b55e9f820e6fc817e25",
        "Sender/temp.log",
        "75b42a00ffd0420cbd251eecde2c2275f5c9b2ac1c6f6109eeb4f52c92072cd8",
        {"column 2": ("C", 117, 5.1, 30.3)}, start="2024-03-22T05:16:59+00:00", span_s=657600,
    ),
    "F51_ms_begins_again_bare.csv": _log(
        "JohnnyMoonlight/esp8266-AccessPoint-Logger-OfflineVisualisation", "35a12c16be9667e6cadd710d64b9491eae8b9e18",
        "templog.csv",
        "8edb6377b4781bfb153d95bce2f27f692717dfd1c60c4a2bef3f0f6de7d45b28",
        {"column 2": ("C", 646, 30.5, 34.0)}, start_ms=22441, end_ms=3248086,
    ),
    "F52_sentence_a_line.txt": _log(  # 23-Jul-21 00:03:10 - Current temperature: 25.558C
        "kobusPitzer/piDataRepo", "b0c6eaa350f0cab1de405b120efcb324b0418720",
        "logs/2021-07-23dailyLog.txt",
        "80bd385d341fe648c5846ecd554172c60af6511c299cfd05413d3820a9a3c98c",
        {"Current temperature": ("C", 290, 21.792, 40.084)}, start="2021-07-23T00:03:10", end="2021-07-23T23:59:04",
    ),
    "F53_time_in_the_last_column.txt": _log(
        "Nyubt/temp_measurement", "9b8c45e41890a294e050a1ca53071c2d055a4697",
        "temperature.txt",
        "b97ee05f530744afe18ee2341c97c49b1cab5a4ac466a448d03c6776468b2078",
        {"column 1": ("C", 1124, -18.25, 23.25),
         "column 2": ("C", 1124, -16.375, 23.187),
         "column 3": ("C", 1124, -17.687, 23.125)}, start="2022-09-03T08:32:41+00:00", span_s=73282,
    ),
    "F54_rounds_of_five_by_hand.txt": _log(  # 00:42:14 1: 91.1, a row for each of five sensors in turn, written by hand
        "AlekseyLobanov/cooling-down", "9f85cd5fd009e16b732251f1ba3ab537e2b9c118",
        "temperature.txt",
        "cc28248b361721aa12859d78d6cad1d827b53752b7d84d723ba55cf33bad9647",
        {"1": ("C", 16, 55.1, 91.1),
         "2": ("C", 16, 41.0, 90.8),
         "3": ("C", 16, 37.4, 88.8),
         "4": ("C", 16, 36.3, 85.9),
         "5": ("C", 16, 36.1, 87.8)}, start="2025-01-01T00:42:14", end="2025-01-01T02:02:05",
    ),
    "F55_panel_volts.csv": _log(  # volts, amperes and a state; no temperature
        "MiataMike/10Wsolar", "87ea985f20be705115c5779fc8988c425d325ad2",
        "DATALOG_2.CSV",
        "07a4f22ee0cfbdd30b4caa8b83bba24cec0bc4265625eaf7a686e15035022be4",
        {},
    ),
    "F56_seconds_begin_again_often.csv": _log(  # five rows a second, whole seconds; 44 stretches, each with a heading
        "brunohdmacedo/Internship-project", "efc2338aafc68a16c950013c07f6184bee444f11",
        "DATALOG.CSV",
        "57d74e3ca36e413ebbf093c6b24057e414fb8ffc775bf9a741fda534b2f5bc1b",
        {"Temp In (C)": ("C", 42259, -2.23, 87.58)}, start_s=3, end_s=8478,
    ),
    "F57_blank_heading_row_minutes.csv": _log(  # a row of delimiters above the heading, both come again
        "brunohdmacedo/Internship-project", "efc2338aafc68a16c950013c07f6184bee444f11",
        "arduino51_WR_files1/LOGGER.CSV",
        "5c9ca6fe3bc06eb2b0e8a1fcbc85dd9bf0b0afb6485adf2d1fc86c3e33d68622",
        {"T_Celsius": ("C", 560, 21.97, 24.41),
         "T_Fahrenheit": ("F", 560, 69, 75)}, span_s=33540,
    ),
    "F58_nodes_in_turn_bare.csv": _log(  # count, ms since 1970, seconds, node, several columns of values
        "IoTsec/Room-Climate-Datasets", "f26ea405fbaa7e72c71bcb356ce598b16e6a8ea3",
        "datasets-location_A/room_climate-location_A-measurement02.csv",
        "233a39b62aa2f2c7d618de80cb9b6a1b97d90d2c3693242429fc606db9dcf591",
        {"1": ("C", 1296, 20.7, 20.96),
         "2": ("C", 1295, 21.09, 21.28),
         "3": ("C", 1296, 20.72, 20.94),
         "4": ("C", 1296, 21.12, 21.42)}, start="2016-03-15T11:04:23.803+00:00", span_s=5180.319,
    ),
    "F59_paragraphs.txt": _log(  # four lines a moment, three readings behind one name; 8 moments in four weeks
        "JustinOliver/Sense-Hat-Temps", "a12752e85f3ba1341265f4b4396f3941479f8627",
        "temps.txt",
        "5272238696f93d1a5b6ea9e0477b1eb6a9d44b099aaf1fc9471d4a0b7ce37329",
        {},
    ),
    "F60_ms_begins_again_three.csv": _log(
        "ivyleavedtoadflax/SylvaSense", "2a65abacf21b47fa15ff37a2b7a45b3276378979",
        "DATALOG.CSV",
        "636db802e50d3741ca20c8cf614e05927368b5820ecdfbf531c18e5f3692ab98",
        {"column 2": ("C", 24, 19.25, 29.0),
         "column 3": ("C", 24, 22.75, 29.75),
         "column 4": ("C", 24, 22.75, 29.75),
         "column 5": ("C", 24, 22.75, 29.75),
         "column 6": ("C", 24, 22.75, 29.75)}, start_ms=1377, end_ms=41411318,
    ),
    "F61_chamber_columns_change.csv": _log(  # from line 10 on a column of minutes between time and setpoint
        "EPFL-Astrobots/thermal_test", "a29d7598960f5377b025b644afe526ed01d860cc",
        "chamber_log.csv",
        "5f62a2a80246deb735f89b6841a25a438577dd9ba371c5500bc7c876af52c298",
        {},
    ),
    "F62_one_channel_a_row.csv": _log(
        "declayton/streaming-05-smart-smoker", "a3c2a5df8170aa83fec58b66e489b354089264af",
        "smoker-temps.csv",
        "7798d85da791b6faf8b5fe7740adb958878ec6995bcd22e670e38de2807d2f96",
        {"Channel1": ("F", 962, 84.2, 268.3),
         "Channel2": ("F", 1043, 36.9, 206.8),
         "Channel3": ("F", 1104, 35.2, 203.1)}, start="2021-05-22T12:20:15+00:00", end="2021-05-22T22:27:00+00:00",
    ),
    "F63_smoker_blank_behind_time.csv": _log(  # nothing in it ever changes
        "davemcdanel/Smoker_Web_UI", "cd220580bd61d1276a1a2133f84503c63d8074f2",
        "tmp.csv",
        "17d15d7427c8aac354ff20d23a3bf3efcb603c766019700f5c47e78697794684",
        {"ExternalTemp": ("F", 2526, 200, 200)}, start="2017-10-18T23:16:28", end="2017-10-20T23:16:17",
    ),
    "F64_annotated_export.csv": _log(  # three rows of types above the heading; a tank's filling
        "uprox/influx", "aea20c222f4eeea9111a34bde6bf3cc58d765d34",
        "DATA.CSV",
        "d8ed241aa7317cae5b2d74180882cb821d3b025a564b6148eff50599b6c7ad00",
        {},
    ),
    "F65_calibration_bath_bare.csv": _log(
        "apieprz6/thermocoupleDataAnalysis", "de66a0fb38e1b7c96a2f6cef322837f1b70c3ec4",
        "M2/M2_Data_COOLING_NoisyCalibration.csv",
        "d48ec6da52d0721ab99c8c6be1068ca6edf8f8b24df1c95701e595802c1efe57",
        {"column 2": ("C", 10240, -6.8556, 105.0)}, start_s=0.00097656, end_s=10.0,
    ),
    "F66_analyser_units_row_k.csv": _log(
        "MaCFP/matl-db", "14b73ea959d3e6a74966a044ba5965aef0a38952",
        "PMMA/Calibration_Data/Aalto/Aalto_Gasification_65kW_1.csv",
        "565077bc7539903da31332c16fcf5a3afc88cc1db98438bef92fe3c192d00644",
        {"Back Surface Temperature 1": ("K", 507, 318.0, 979.0),
         "Back Surface Temperature 2": ("K", 507, 320, 931)}, start_s=0, end_s=506,
    ),
    "F67_errors_beside_means.csv": _log(  # columns of errors in kelvin, which are no temperatures
        "MaCFP/matl-db", "14b73ea959d3e6a74966a044ba5965aef0a38952",
        "PMMA/Calibration_Data/UMD/UMD_CAPA_25kW_Temp.csv",
        "19c222367b35e7cda4278341d3853e1938d33e61b9964ff8b19b9a7387bbb464",
        {"Temp_avg_all4": ("K", 1805, 297.3817575, 668.6933069)}, start_s=0.0, end_s=1682.059,
    ),
    "F68_ms_two_units_bare.csv": _log(  # the same sensor in two units, no heading
        "hransom528/EDDTumblerComposter", "6ddb5da21af32ee59cb70c39fd0f5ba37d65ec1e",
        "LOG.CSV",
        "20495cd47b3172548db3ff0601fbf669bfbf72c38dbd9dbff9363db2e7a7eeb9",
        {"column 2": ("C", 2718, 18.44, 19.44),
         "column 3": ("F", 2718, 65.19, 66.99),
         "column 4": ("C", 2718, 18.31, 19.02)}, start_ms=183293, end_ms=166422432,
    ),
    "F69_titles_and_record_number.csv": _log(
        "Harames/Hydroinformatics_Arduino_Project", "acc0f8e218b59b2efc9ba007b040cf98615900c1",
        "DATA.CSV",
        "b36d936f00d247eea151f7a753fd17d82926201eeb69c59cfddf2d8e33a88f74",
        {"AvgTemperature_DegC": ("C", 2188, 18.53, 29.27)}, start_s=60.0, end_s=131280.0,
    ),
    "F70_many_features.csv": _log(  # 59 columns, most of them amplitudes
        "IsaqueNunes/e-nose_v2", "634427c48566287c6e1f5c05b860ee4b2dd680c3",
        "data/positive_25.csv",
        "bfc8d11ec311b694ce794cda19e6ac81ec580a5a058f0a97060919471c2b57c2",
        {"BME_Temp": ("C", 78, 37.27648, 56.35331),
         "SHT_Temp": ("C", 78, 36.48, 53.97)}, start="2025-10-01T13:41:27.217330", end="2025-10-01T14:10:25.130376",
    ),
    "F71_modulated_analyser.csv": _log(
        "MaCFP/matl-db", "14b73ea959d3e6a74966a044ba5965aef0a38952",
        "Wood/Calibration_Data/UMET/UMET_WOOD_TM-DSC_N2_3K_R1.csv",
        "c150c480d42bd1d67b86c020b090b04faefe1a133a4ad7f6e6c4a69ab692ed80",
        {"Temperature": ("K", 722, 277.23, 467.23)}, start_s=794.4, end_s=13409.4,
    ),
}  # fmt: skip
