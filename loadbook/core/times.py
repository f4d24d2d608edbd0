"""Moments: UTC inside, the shop's zone outside, nothing guessed at a clock change."""

from __future__ import annotations

import io
import re
import struct
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from .errors import DamageError, OpenQuestion, UsageError

_MOMENT = re.compile(
    r"^(\d{4})-(\d{2})-(\d{2})(?:[T ](\d{2}):(\d{2})(?::(\d{2})(?:[.,](\d{1,6}))?)?\s*(Z|[+-]\d{2}:?\d{2})?)?$"
)


_FIXED = re.compile(r"^(?:UTC|GMT)?\s*([+-])(\d{1,2})(?::?([0-5]\d))?$", re.IGNORECASE)


def zone_of(name: str) -> ZoneInfo:
    """The time zone of an AREA/CITY name, or of a fixed distance from UTC as people write it: -05:00, UTC+1.

    Raises UsageError where there is none of that name.

    >>> zone_of("-05:00").utcoffset(datetime(2026, 7, 1)) == timedelta(hours=-5)
    True
    """
    fixed = _FIXED.match(name.strip())
    if fixed and int(fixed[2]) <= 12:
        return _fixed_zone((1 if fixed[1] == "+" else -1) * (int(fixed[2]) * 60 + int(fixed[3] or 0)))
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as exc:
        raise UsageError(
            f"no time zone is called {name!r}", remedy="Write it like Europe/Madrid, UTC or -05:00"
        ) from exc


def _fixed_zone(minutes: int) -> ZoneInfo:
    """The zone at a fixed distance east of UTC. The names of whole hours carry POSIX's sign: UTC-5 is Etc/GMT+5."""
    if minutes % 60 == 0:
        return ZoneInfo(f"Etc/GMT{-minutes // 60:+d}" if minutes else "UTC")
    name = f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
    # a time zone file (RFC 8536) with one type and no transitions
    counts = struct.pack(">6l", 0, 0, 0, 0, 1, len(name) + 1)
    local = struct.pack(">lbb", minutes * 60, 0, 0)
    return ZoneInfo.from_file(io.BytesIO(b"TZif" + bytes(16) + counts + local + name.encode() + b"\0"), key=name)


def local_to_utc(local: datetime, zone: ZoneInfo) -> datetime:
    """UTC moment of a wall-clock time; the repeated and the missing hour are questions, not guesses.

    local   naive datetime in the zone
    Raises  OpenQuestion where the clock showed that time twice, or never
    """
    early = local.replace(tzinfo=zone, fold=0)
    late = local.replace(tzinfo=zone, fold=1)
    first, second = early.utcoffset(), late.utcoffset()
    if first == second:
        return early.astimezone(UTC)
    back = early.astimezone(UTC).astimezone(zone).replace(tzinfo=None)
    option = "a UTC offset, like 2026-10-25T02:30+02:00"
    if back != local:
        raise OpenQuestion(
            f"{local.isoformat(' ')} never showed on a clock in {zone.key}: it was skipped", option=option
        )
    raise OpenQuestion(f"{local.isoformat(' ')} showed twice on clocks in {zone.key}: which of the two", option=option)


def parse_moment(text: str, zone: ZoneInfo) -> datetime:
    """UTC moment of an ISO 8601 date and time; without an offset it is in the zone given.

    Raises UsageError where it is no ISO moment, OpenQuestion at a clock change.

    >>> parse_moment("2026-03-01T08:00", ZoneInfo("UTC")).isoformat()
    '2026-03-01T08:00:00+00:00'
    """
    match = _MOMENT.match(text.strip())
    if not match or match.group(4) is None:
        raise UsageError(f"{text!r} is not a date with a time", remedy="Write it like 2026-03-01T08:00")
    year, month, day, hour, minute, second, fraction, offset = match.groups()
    try:
        local = datetime(int(year), int(month), int(day), int(hour), int(minute), int(second or 0))
    except ValueError as exc:
        raise UsageError(f"{text!r} is not a date with a time: {exc}", remedy="Write it like 2026-03-01T08:00") from exc
    _within(local.year, text)
    if fraction:
        local += timedelta(microseconds=int(fraction.ljust(6, "0")))
    if offset is None:
        return local_to_utc(local, zone)
    if offset == "Z":
        return local.replace(tzinfo=UTC)
    sign = -1 if offset[0] == "-" else 1
    digits = offset[1:].replace(":", "")
    shift = timedelta(hours=int(digits[:2]), minutes=int(digits[2:]))
    if shift > timedelta(hours=14) or int(digits[2:]) > 59:
        raise UsageError(f"{text!r} has an offset that no clock has", remedy="Offsets go from -12:00 to +14:00")
    return (local - sign * shift).replace(tzinfo=UTC)


FIRST_YEAR, LAST_YEAR = 1900, 2199  # of a shop's records; everything further away is a slip
FOR_EVER = "9999-12-31"  # but this, where a date ends something


def _within(year: int, text: str) -> None:
    if not FIRST_YEAR <= year <= LAST_YEAR:
        raise UsageError(f"the year of {text!r} is not one of {FIRST_YEAR} to {LAST_YEAR}", remedy="Check the date")


def parse_month(text: str) -> tuple[int, int]:
    """(year, month) of a month. Raises UsageError for anything else.

    >>> parse_month("2026-03")
    (2026, 3)
    """
    match = re.fullmatch(r"([0-9]{4})-(0[1-9]|1[0-2])", text)
    if not match or not FIRST_YEAR <= int(match[1]) <= LAST_YEAR:
        raise UsageError(f"{text!r} is not a month", remedy="Write it like 2026-03")
    return int(match[1]), int(match[2])


def parse_date(text: str) -> date:
    """An ISO 8601 date. Raises UsageError for any other order: 03/04/2026 is never guessed.

    >>> parse_date("2026-04-03")
    datetime.date(2026, 4, 3)
    """
    match = _MOMENT.match(text.strip())
    if not match or match.group(4) is not None:
        raise UsageError(f"{text!r} is not a date", remedy="Write it year first, like 2026-04-03")
    _within(int(match.group(1)), text)
    try:
        return date(int(match.group(1)), int(match.group(2)), int(match.group(3)))
    except ValueError as exc:
        raise UsageError(f"{text!r} is not a date: {exc}", remedy="Write it year first, like 2026-04-03") from exc


def without_zone(moment: datetime) -> datetime:
    """A moment in UTC as the session's tables hold it: a TIMESTAMP that names no zone."""
    return moment.astimezone(UTC).replace(tzinfo=None)


def stored(moment: datetime) -> str:
    """The text a moment is kept as: UTC, ISO 8601, seconds (or microseconds where there are any), ending in Z."""
    utc = without_zone(moment)
    return utc.isoformat(timespec="microseconds" if utc.microsecond else "seconds") + "Z"


def from_stored(text: str) -> datetime:
    """The moment of a text made by `stored`. Raises DamageError for any other text."""
    try:
        return datetime.fromisoformat(text.replace("Z", "+00:00"))
    except ValueError as exc:
        raise DamageError(f"the book holds {text[:80]!r} for a moment", remedy="Run: loadbook verify") from exc


def shown(text: str, zone: ZoneInfo) -> str:
    """A stored moment on the shop's clock, with its offset, to the minute."""
    local = from_stored(text).astimezone(zone)
    return local.isoformat(sep=" ", timespec="minutes")


def on_clock(moment: datetime, zone: ZoneInfo, pattern: str) -> str:
    """A moment as the clocks of a zone show it; in the hour that they show twice, with which of the two it is.

    >>> berlin = zone_of("Europe/Berlin")
    >>> [on_clock(from_stored(f"2026-10-25T{hour}:30:00Z"), berlin, "%H:%M") for hour in ("00", "01", "02")]
    ['02:30 CEST', '02:30 CET', '03:30']
    """
    there = moment.astimezone(zone)
    twice = there.replace(fold=0).utcoffset() != there.replace(fold=1).utcoffset()
    return there.strftime(f"{pattern} %Z" if twice else pattern)


def local_day(text: str, zone: ZoneInfo) -> str:
    """The day of a stored moment on the shop's calendar, as ISO text.

    >>> local_day("2026-03-01T23:30:00Z", ZoneInfo("Europe/Vienna"))
    '2026-03-02'
    """
    return from_stored(text).astimezone(zone).date().isoformat()


def first_moment(day: date, zone: ZoneInfo) -> datetime:
    """The first moment of a day on the shop's calendar, in UTC, also where a clock change skips or repeats midnight.

    >>> first_moment(date(2018, 11, 4), ZoneInfo("America/Sao_Paulo")).isoformat()  # 0:00 was skipped
    '2018-11-04T03:00:00+00:00'
    """
    moment = datetime(day.year, day.month, day.day, tzinfo=zone, fold=0).astimezone(UTC)
    early = moment - timedelta(hours=3)
    if moment.astimezone(zone).date() >= day and (moment - timedelta(seconds=1)).astimezone(zone).date() < day:
        return moment
    late = moment + timedelta(hours=3)  # midnight lies inside a skipped hour: the day begins where the clock jumped
    while late - early > timedelta(seconds=1):
        middle = early + (late - early) // 2
        early, late = (early, middle) if middle.astimezone(zone).date() >= day else (middle, late)
    return late.replace(microsecond=0)


def now() -> datetime:
    """This moment in UTC, to the second."""
    return datetime.now(UTC).replace(microsecond=0)
