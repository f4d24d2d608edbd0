"""Random small books in which every text of every row is a token of its own, and what a letter may say of them.

A token found in a letter tells from which column and whose row it came. Parts are shared between customers, loads are
mixed, serials repeat from part to part, jobs are confidential or not.
"""

from __future__ import annotations

import random
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from loadbook.queries.enquiry import Question
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake

TOKEN = re.compile(r"ZQ\d+X", re.IGNORECASE)
TABLES = (
    "material", "furnace", "furnace_check", "gauge", "calibration", "part", "characteristic", "job", "cycle",
    "cycle_segment", "cycle_limit", "run", "piece", "operation", "channel", "event", "reading", "approval",
    "nonconformance", "history_break", "layout", "confirmation", "trace", "trace_channel", "answer",
    "precheck", "trial", "trial_run",
)  # fmt: skip
# what the program computes with, or what has no words: coded values, moments, dates, digests
PLAIN = {
    "setting": {"name", "value"},
    "intake": {"file_sha256", "taken_at"},
    "material": set(),
    "characteristic": {"kind", "scale"},
    "job": {"keep_until"},
    "furnace_check": {"kind", "done_on", "due_on"},
    "gauge": {"calibrated_until"},
    "calibration": {"calibrated_on", "valid_until"},
    "cycle_segment": {"kind", "rate_of", "on_leaving", "soak_by"},
    "cycle_limit": {"quantity", "relation", "phase", "scope", "rounding"},
    "run": {"started", "ended", "status", "repeats_run"},
    "piece": {"axis"},
    "operation": {"at"},
    "channel": {"role"},
    "event": {"at"},
    "trace": {"state", "sha256", "source_sha256", "started", "zone"},
    "reading": {"stage", "read_at"},
    "parameter": {"parameter", "unit", "source"},
    "finding": {"what", "name", "verdict", "first_at", "worst_at"},
    "confirmation": {"subject", "decision", "at"},
    "approval": {"at", "first_article_of"},
    "history_break": {"at"},
    "precheck": {"verdict", "at"},
    "trial": {"planned_at"},
    "answer": {"answered_at", "question", "result", "unit", "part", "characteristic", "job"},
    "answer_outcome": {"run"},
    "amendment": {"kind", "at"},
    "chain": {"content", "digest"},
    "seal": {"what", "name", "sha256"},
}


@dataclass
class Whose:
    """A random book with its rows, and whose they are."""

    book: BookFolder
    rows: dict[str, list[dict[str, Any]]]
    tokens: dict[str, str] = field(default_factory=dict)  # token -> where it stands

    def owner(self, piece: dict[str, Any]) -> str | None:
        """The customer a piece ran for: its job's, else its part's."""
        job = next((j for j in self.rows["job"] if j["job"] == piece["job"]), None)
        part = next(p for p in self.rows["part"] if p["part"] == piece["part"])
        return job["customer"] if job else part["customer"]

    def customers(self, question: Question) -> list[str | None]:
        """For whom a letter on a question may be: one of them."""
        part = next((p for p in self.rows["part"] if p["part"] == question.part), None)
        job = next((j for j in self.rows["job"] if j["job"] == question.job), None)
        told = job["customer"] if job else part["customer"] if part else None
        return [told] if told else [None, *sorted({j["customer"] for j in self.rows["job"]})]

    def allowed(self, customer: str | None, question: Question) -> set[str]:
        """Every text of the book that a letter to this customer may say: keys of their own pieces, and nothing free."""
        own = [
            p for p in self.rows["piece"]
            if self.owner(p) == customer and (customer is not None or p["part"] == question.part)
        ]  # fmt: skip
        runs = {p["run"] for p in own}
        parts = {p["part"] for p in own} | {
            p["part"] for p in self.rows["part"]
            if p["customer"] == customer and (customer is not None or p["part"] == question.part)
        }  # fmt: skip
        out = {customer, question.part, *runs, *parts}
        out |= {c["characteristic"] for c in self.rows["characteristic"] if c["part"] in parts}
        out |= {p["material"] for p in self.rows["part"] if p["part"] in parts}
        for run in self.rows["run"]:
            if run["run"] in runs:
                out |= {run["cycle"], run["cycle_revision"]}
        for job in self.rows["job"]:
            if job["job"] == question.job and job["customer"] == customer:
                out |= {job["job"], job["purchase_order"], job["drawing_revision"]}
        return {str(text).lower() for text in out if text}


def said(*texts: str) -> set[str]:
    """The tokens in some texts, in small letters."""
    return {token.lower() for text in texts for token in TOKEN.findall(text)}


def random_book(path: Path, seed: int, *, coded: float = 0.5, units: str = "si") -> Whose:
    """A book of two or three customers.

    coded  share of the free columns that hold a coded word of the trade; the others hold tokens
    """
    rng = random.Random(seed)
    tokens: dict[str, str] = {}

    def new(where: str) -> str:
        token = f"ZQ{len(tokens):05d}X"
        tokens[token.lower()] = where
        return token

    def word(where: str, *words: str) -> str:
        return rng.choice(words) if rng.random() < coded else new(where)

    customers = [new("customer") for _ in range(rng.choice((2, 3)))]
    serials = [new("serial") for _ in range(6)]  # few: parts share them
    rows: dict[str, list[dict[str, Any]]] = {name: [] for name in TABLES}
    rows["material"] = [
        {
            "material": new("material"),
            "family": word("family", "tool steel", "titanium"),
            "reactive": rng.choice((0, 1)),
        }
        for _ in range(2)
    ]
    rows["furnace"] = [{"furnace": new("furnace"), "atmosphere": word("atmosphere", "air", "argon")}]
    furnace = rows["furnace"][0]["furnace"]
    rows["furnace_check"] = [{"furnace": furnace, "kind": "uniformity survey", "done_on": "2024-01-01"}]
    rows["gauge"] = [{"gauge": new("gauge"), "expanded_uncertainty_mm": 0.001}]
    rows["calibration"] = [{"calibration": new("calibration"), "at_c": 600.0, "correction_c": 0.1}]
    rows["history_break"] = [{"at": "2024-02-01", "furnace": f} for f in (None, furnace)]
    rows["layout"] = [{"name": new("layout"), "revision": 1}]
    process = word("process", "stress relief")
    for _ in range(2):
        cycle = {"cycle": new("cycle"), "revision": new("cycle revision"), "process": process}
        rows["cycle"].append({**cycle, "atmosphere": word("atmosphere", "air", "vacuum")})
        named = {"cycle": cycle["cycle"], "revision": cycle["revision"], "number": 1}
        rows["cycle_segment"].append(
            {**named, "kind": "heat", "target_c": 600.0, "asked_rate_c_per_h": 80.0, "rate_of": "control",
             "on_leaving": "restart", "soak_by": "work"}
        )  # fmt: skip
        rows["cycle_limit"].append(
            {**named, "quantity": "spread", "relation": "max", "value": 20.0, "phase": "hold", "scope": "load",
             "rounding": "proportion"}
        )  # fmt: skip
    for _ in range(rng.choice((3, 4))):
        part = {
            "part": new("part"), "material": rng.choice(rows["material"])["material"],
            "shape": word("shape", "ring", "tube"), "customer": rng.choice([*customers, None]),
            "section_thick_mm": rng.choice((None, 30.0)),
            "description": rng.choice(("hollow ", "")) + new("description"),
        }  # fmt: skip
        rows["part"].append(part)
        rows["characteristic"].append(
            {"part": part["part"], "characteristic": new("characteristic"), "kind": "outside diameter", "scale": "um",
             "nominal_mm": 100.0, "lower_mm": 99.9, "upper_mm": 100.1, "reference_length_mm": 100.0,
             "unit": word("unit", "mm", "mm", "mm")}
        )  # fmt: skip
    for _ in range(4):
        rows["job"].append(
            {"job": new("job"), "customer": rng.choice(customers), "confidential": rng.choice((0, 1)),
             "export_controlled": rng.choice((0, 0, 1))}
        )  # fmt: skip
    level = {p["part"]: rng.gauss(0.0, 10.0) for p in rows["part"]}
    measured = []
    for number in range(rng.choice((9, 11))):
        cycle = rng.choice(rows["cycle"])
        run = {"run": new("run"), "furnace": furnace, "cycle": cycle["cycle"], "cycle_revision": cycle["revision"],
               "started": f"2024-{number + 1:02d}-03T08:00:00Z", "status": "done"}  # fmt: skip
        rows["run"].append(run)
        for part in rng.sample(rows["part"], rng.choice((1, 2, 3))):
            job = rng.choice([j["job"] for j in rows["job"] if part["customer"] in (None, j["customer"])] or [None])
            luck = rng.gauss(level[part["part"]], 4.0)
            for serial in rng.sample(serials, rng.choice((1, 2))):
                piece = {"run": run["run"], "part": part["part"], "serial": serial, "quantity": 1,
                         "job": job if rng.random() < 0.8 else None, "setup": word("setup", "laid", "hung"),
                         "machining": word("machining", "rough machined", ""), "stock_mm": rng.choice((1.0, None)),
                         "condition": word("condition", "forged", "welded")}  # fmt: skip
                rows["piece"].append(piece)
                for stage, value in (("before", 100.0), ("after", 100.0 + rng.gauss(luck, 3.0) / 1000.0)):
                    rows["reading"].append(
                        {"run": run["run"], "part": part["part"], "serial": serial, "stage": stage, "repeat": 1,
                         "characteristic": next(c["characteristic"] for c in rows["characteristic"]
                                                if c["part"] == part["part"]),
                         "value_mm": round(value, 6), "gauge": rows["gauge"][0]["gauge"], "already_at_20c": 1}
                    )  # fmt: skip
                for _ in range(rng.choice((0, 2))):
                    channel = new("channel")
                    rows["channel"].append(
                        {"run": run["run"], "channel": channel, "role": "work", "serial": serial,
                         "place": word("place", "bore", "rim")}
                    )  # fmt: skip
                    measured.append((run["run"], channel, 590.0 + rng.gauss(0.0, 5.0)))
        rows["event"].append({"run": run["run"], "at": run["started"]})
        rows["approval"].append({"run": run["run"], "at": run["started"], "first_article_of": None})
        rows["nonconformance"].append({"run": run["run"], "serial": rng.choice(serials)})
        rows["precheck"].append({"run": run["run"], "verdict": "pass", "at": run["started"]})
        rows["confirmation"].append(
            {"subject": "fault", "run": run["run"], "decision": "confirmed", "at": run["started"]}
        )
    piece = rows["piece"][0]
    recorded = {
        "trace_id": new("trace"),
        "run": rows["run"][0]["run"],
        "state": "withdrawn",
        "bytes": 1,
        "samples": 1,
        **dict.fromkeys(("sha256", "source_sha256"), ""),
        "started": "2024-01-01T00:00:00Z",
        "zone": "UTC",
    }
    rows["trace"] = [{**recorded, **dict.fromkeys(("interval_s", "seconds", "longest_gap_s"), 0.0), **dict.fromkeys(
        ("missing", "open", "out_of_range", "duplicates", "backwards", "gaps"), 0)}]  # fmt: skip
    rows["trace_channel"] = [{"trace_id": recorded["trace_id"], "number": 1, "valid": 1}]
    rows["operation"] = [{"part": piece["part"], "serial": piece["serial"], "sequence": 1, "run": piece["run"]}]
    other = rows["part"][-1]["part"]
    rows["answer"] = [{"answered_at": "2024-01-01T00:00:00Z", "question": f'{{"part": "{other}"}}',
                       "result": f'{{"text": "{new("answer")}"}}', "unit": "um", "part": other}]  # fmt: skip
    rows["trial"] = [{"planned_at": "2024-01-01T00:00:00Z", "low": 1.0, "high": 2.0, "pieces": 1, "repeats": 1}]
    rows["trial_run"] = [{"trial_id": 1, "place": 1, "part": other, "setting": 1.0, "run": piece["run"]}]
    book = BookFolder.create(path, units=units)
    free = {(table, column): new(f"{table}.{column}") for table in TABLES for column in ("held", "datum", "surface")}
    for table in TABLES:  # every text column that has nothing yet gets a token: its own in each row
        columns = [r for r in book.read().execute(f"PRAGMA table_info({table})") if r["type"] == "TEXT"]
        for row in rows[table]:
            for c in columns:
                name = c["name"]
                if name in row or name in PLAIN.get(table, ()) or name in ("job", "run", "serial", "gauge"):
                    continue
                typed = f'{{"x": "{new(f"{table}.typed")}"}}'
                row[name] = free.get((table, name)) or (typed if name == "typed" else new(f"{table}.{name}"))
    with book.write() as conn:
        add_intake(
            conn, new("intake"), rows, rows_read=1, file_name=new("file name"), taken_by=new("taken by")
        )  # fmt: skip
        for run, channel, mean in measured:
            conn.execute(
                "INSERT INTO parameter (run, parameter, channel, value, unit, source, note, typed, algorithm)"
                " VALUES (?, 'hold_mean_c', ?, ?, 'c', 'trace', ?, ?, ?)",
                (run, channel, mean, *(new(f"parameter.{n}") for n in ("note", "typed", "algorithm"))),
            )  # fmt: skip
        for run in {m[0] for m in measured}:
            on = [m for m in measured if m[0] == run]
            pair = f"{max(on, key=lambda m: m[2])[1]} over {min(on, key=lambda m: m[2])[1]}"
            conn.execute(
                "INSERT INTO parameter (run, parameter, value, unit, source, note, algorithm)"
                " VALUES (?, 'spread_soak_peak_c', 9.0, 'c_diff', 'trace', ?, '1')", (run, pair),
            )  # fmt: skip
            conn.execute(
                "INSERT INTO finding (run, what, name, verdict, text, channel, missing, without, unit, algorithm)"
                " VALUES (?, 'fault', 'detached', 'suspected', ?, ?, ?, ?, ?, ?)",
                (run, new("finding.text"), on[0][1] if rng.random() < 0.5 else on[-1][1],
                 *(new(f"finding.{n}") for n in ("missing", "without", "unit", "algorithm"))),
            )  # fmt: skip
        conn.execute(
            "INSERT INTO amendment (kind, record, row_id, column_name, old_value, new_value, why, who, at)"
            " VALUES ('parts', ?, 999, ?, ?, ?, ?, ?, ?)",
            (*(new(f"amendment.{n}") for n in ("record", "column", "old", "new", "why", "who")), "2024-01-01"),
        )  # fmt: skip
    return Whose(book, rows, tokens)


def random_question(whose: Whose, seed: int) -> Question:
    """A question on a random book; what a person types for it are tokens or words of the book too."""
    rng, rows = random.Random(seed), whose.rows

    def maybe(*values: Any) -> Any:
        return rng.choice((None, *values))

    part = rng.choice(rows["part"])
    cycle = maybe(*rows["cycle"]) or {}
    fitting = [j["job"] for j in rows["job"] if part["customer"] in (None, j["customer"])]
    planned = {
        "setup": maybe("hung", rows["piece"][0]["setup"], "ZQ90001X"), "atmosphere": maybe("argon", "ZQ90002X"),
        "cycle": cycle.get("cycle"), "cycle_revision": cycle.get("revision"), "job": maybe(*fitting),
        "settings": {"heating_rate_peak_c_per_h": 300.0} if rng.random() < 0.5 else {},
    }  # fmt: skip
    if rng.random() < 0.75:
        return Question(part=part["part"], **planned)
    new = {"material": part["material"], "shape": part["shape"], "condition": "ZQ90003X"}
    return Question(kind=rng.choice(("outside diameter", "flatness")), size_mm=100.0, **new, **planned)
