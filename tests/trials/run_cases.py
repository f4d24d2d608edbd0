"""The planted runs of tests/test_run_cases.py in one table: false breaks, missed breaks, whatever else is told wrong.

python -m tests.trials.run_cases             a line per wrong case, then the table
python -m tests.trials.run_cases WORD ...    of the cases whose names hold a word
"""

from __future__ import annotations

import sys
from collections import Counter

from tests.runcase import RunCase, tell, wrong
from tests.test_run_cases import CASES

COLUMNS = ("group", "cases", "good", "bad", "open", "false breaks", "missed breaks", "told wrong")


def trial(cases: list[RunCase], systems: tuple[str, ...] = ("si", "us")) -> dict[str, Counter[str]]:
    """Counts by 'air' and 'vacuum' and system. A false break: a good or open run told broken; a missed one: a bad run
    told otherwise; told wrong: any other word, moment or clause that is not as planted."""
    table: dict[str, Counter[str]] = {}
    for case in cases:
        for system in systems:
            count = table.setdefault(f"{'vacuum' if case.vacuum else 'air'}, {system}", Counter())
            found = tell(case, system)
            verdict, faults = found.judgement.verdict, wrong(case, found, system)
            count["cases"] += 1
            count[{"kept": "good", "broken": "bad", "cannot be told": "open"}[case.verdict]] += 1
            if verdict != case.verdict and "broken" in (verdict, case.verdict):
                count["false breaks" if verdict == "broken" else "missed breaks"] += 1
            elif faults:
                count["told wrong"] += 1
            if faults and system == systems[0]:
                print(f"{case.name}\n    " + "\n    ".join(faults))
    return table


def main(words: list[str]) -> None:
    chosen = [c for c in CASES if not words or any(w in c.name for w in words)]
    table = trial(chosen)
    total: Counter[str] = Counter()
    print("".join(f"{c:>15}" for c in COLUMNS))
    for name, count in sorted(table.items()):
        total += count
        print("".join(f"{x:>15}" for x in (name, *(str(count[c]) for c in COLUMNS[1:]))))
    print("".join(f"{x:>15}" for x in ("all", *(str(total[c]) for c in COLUMNS[1:]))))


if __name__ == "__main__":
    main(sys.argv[1:])
