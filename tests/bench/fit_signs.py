"""Fit how much each sign multiplies the failure rate, and write ``watcher/rules/risk_table.py``.

Run it with the data beside the repository (a folder ``shared/data``):

    python tests/bench/fit_signs.py            fit, print, and write the table
    python tests/bench/fit_signs.py --dry      fit and print only

Method: every drive-day of three sets is an exposure over the next 30 days (cut at failure or at the
end of follow-up). The rate is (rate of the set and model) x product of factors; a sign has one
factor for each value from which on it counts, none below 1, so that more of a sign never means
less risk. Poisson likelihood with a ridge; 95% intervals from resampled drives. Base rates: model
rates from the published lifetime table, and for the models of 2013 from the open part of the fleet
itself, drawn towards the fleet's mean.
"""

from __future__ import annotations

import csv
import sys
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from pathlib import Path

import numpy as np
from scipy.optimize import minimize
from scipy.stats import chi2, gamma

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.sign_data import DATA, FLEET, ST12000, TOSHIBA, Days, days_of, failures
from watcher.rules.risk import model_key

ROWS = {
    "pending": (1, 16),
    "pending-rise": (1, 8),
    "reallocated": (1, 16, 256, 1024),
    "reallocated-rise": (1, 8, 64, 512),
    "unreadable": (1, 8),
    "unreadable-rise": (1,),
    "timeouts-rise": (1,),
}
RIDGE = 5.0  # chosen from 1, 5, 20 by five-fold cross-validation; they hardly differ
DRAW = 2.0  # failures by which a model's rate is drawn to the fleet's mean
RESAMPLES = 60
FLEET_DAYS = 7_000  # drive-days in the fleet of 2013 from which on it speaks for a model
PUBLISHED_DAYS = 100_000  # likewise in the published table
SETS = 3
YEAR = 365.25
TARGET = Path(__file__).resolve().parents[2] / "watcher" / "rules" / "risk_table.py"

PUBLISHED = {
    "log-media": ((1, 39.0, 20.0, 78.0),),
    "self-test": ((1, 21.0, 10.0, 42.0),),
    "own-verdict": ((1, 50.0, 30.0, 100.0),),
    "media-errors": ((1, 4.0, 1.0, 16.0),),
}


def load() -> tuple[Days, dict[str, str]]:
    """Load the three sets; gives the days and who died in the fleet of 2013."""
    days = Days()
    days_of(FLEET, 0, follow_days=None, weight=1.0, into=days)
    # Failed drives bring about ten days each there, healthy ones two: ten times each evens it out.
    days_of(ST12000, 1, follow_days=30, weight=10.0, into=days)
    days_of(TOSHIBA, 2, follow_days=None, weight=1.0, into=days)
    return days, failures(DATA / FLEET)


def fleet_rates(
    days: Days, died: dict[str, str], keep: np.ndarray
) -> tuple[float, dict[str, tuple[float, float, float]]]:
    """Give the fleet's mean rate per year and each model's (rate, low, high), drawn to the mean."""
    group, serial, model = np.array(days.group), np.array(days.serial), np.array(days.model)
    mask = (group == 0) & keep
    names, inverse = np.unique(model[mask], return_inverse=True)
    years = np.bincount(inverse) / YEAR
    who, first = np.unique(serial[mask], return_index=True)
    dead = model[mask][first][[s in died for s in who]]
    counts = np.array([(dead == name).sum() for name in names])
    mean = counts.sum() / years.sum()
    rates = {}
    for name, count, exposure in zip(names, counts, years, strict=True):
        shape, scale = count + DRAW, 1 / (exposure + DRAW / mean)
        low, high = gamma.ppf([0.025, 0.975], shape, scale=scale)
        rates[str(name)] = (shape * scale, float(low), float(high))
    return float(mean), rates


class Fitter:
    """The likelihood of all drive-days, folded to distinct rows."""

    def __init__(self, days: Days, matrix: np.ndarray) -> None:
        """Keep the columns as arrays."""
        self.group = np.array(days.group)
        self.years = np.array(days.days) / YEAR
        self.failed = np.array(days.failed, float)
        self.weight = np.array(days.weight)
        self.matrix = matrix
        _, self.row_of = np.unique(
            np.column_stack([matrix @ 2.0 ** np.arange(matrix.shape[1]), self.group]),
            axis=0,
            return_inverse=True,
        )
        self.row_of = self.row_of.ravel()

    def fit(self, offset: np.ndarray, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Give the log rate of each set and the log factor of each column, none below 0."""
        # Rows with the same signs and set share their factors: only sums of exposure count.
        count = self.row_of.max() + 1
        events = np.bincount(self.row_of, weight * self.failed, count)
        exposure = np.bincount(self.row_of, weight * self.years * np.exp(offset), count)
        first = np.zeros(count, int)
        first[self.row_of[::-1]] = np.arange(len(self.row_of))[::-1]
        signs, sets = self.matrix[first], np.eye(SETS)[self.group[first]]
        width = signs.shape[1]

        def loss(beta: np.ndarray) -> tuple[float, np.ndarray]:
            eta = np.clip(sets @ beta[:SETS] + signs @ beta[SETS:], -30, 20)
            expected = exposure * np.exp(eta)
            value = expected.sum() - (events * eta).sum() + RIDGE * (beta[SETS:] ** 2).sum()
            slope = expected - events
            return value, np.r_[sets.T @ slope, signs.T @ slope + 2 * RIDGE * beta[SETS:]]

        start = np.r_[np.full(SETS, -3.0), np.full(width, 0.1)]
        bounds = [(None, None)] * SETS + [(0, None)] * width
        found = minimize(loss, start, jac=True, method="L-BFGS-B", bounds=bounds)
        return found.x[:SETS], found.x[SETS:]


def offsets(days: Days, mean: float, rates: dict[str, tuple[float, float, float]]) -> np.ndarray:
    """Give the log of each fleet row's model rate over the mean; 0 for the other sets."""
    group = np.array(days.group)
    ratio = np.array([np.log(rates[m][0] / mean) if m in rates else 0.0 for m in days.model])
    return ratio * (group == 0)


def resampled(fitter: Fitter, days: Days, offset: np.ndarray) -> np.ndarray:
    """Fit again on drives drawn with replacement; one row of log factors for each draw."""
    chance = np.random.default_rng(20261125)
    _, drive = np.unique(np.array(days.serial), return_inverse=True)
    found = []
    for _ in range(RESAMPLES):
        times = chance.poisson(1.0, drive.max() + 1)  # a Poisson bootstrap: drives in or out whole
        _, beta = fitter.fit(offset, fitter.weight * times[drive])
        found.append(beta)
    return np.array(found)


def factor_rows(
    names: list[tuple[str, int]], beta: np.ndarray, draws: np.ndarray
) -> dict[str, tuple[tuple[float, float, float, float], ...]]:
    """Turn steps into rows (value from, factor, low, high); steps that add nothing are left out."""
    rows: dict[str, list[tuple[float, float, float, float]]] = {}
    for sign in ROWS:
        columns = [i for i, (name, _) in enumerate(names) if name == sign]
        for upto in range(len(columns)):
            chosen = columns[: upto + 1]
            centre = float(np.exp(beta[chosen].sum()))
            if beta[chosen[-1]] < 0.01:
                continue
            low, high = np.exp(np.percentile(draws[:, chosen].sum(axis=1), [2.5, 97.5]))
            row = (
                names[columns[upto]][1],
                centre,
                min(float(low), centre),
                max(float(high), centre),
            )
            rows.setdefault(sign, []).append(row)
    return {sign: tuple(kept) for sign, kept in rows.items()}


def published_rates() -> list[dict[str, str]]:
    """Read the published lifetime rates; those computed from the fleet of 2013 are left out."""
    with (DATA / "afr_tables" / "afr.csv").open(newline="") as file:
        return [r for r in csv.DictReader(file) if not r["source"].startswith("computed")]


def model_rows(
    days: Days, rates: dict[str, tuple[float, float, float]], keep: np.ndarray
) -> dict[str, list]:
    """Give rows (from years, rate, low, high) for each model, by the maker's number.

    The fleet of 2013 speaks for a model that it saw for long enough, up to the age below
    which 99 in 100 of its days lie; the published lifetime rate speaks for the rest.
    """
    group, age, model = np.array(days.group), np.array(days.age_years), np.array(days.model)
    published: dict[str, tuple[float, float, float, float]] = {}
    for row in published_rates():
        key = model_key(row["model"])
        if float(row["drive_days"]) < PUBLISHED_DAYS or key in published:
            continue
        rate = (float(row[c]) / 100 for c in ("afr_pct", "afr_ci95_low", "afr_ci95_high"))
        published[key] = (0.0, *rate)  # type: ignore[assignment]
    rows: dict[str, list] = {key: [row] for key, row in published.items()}
    for name, rate in rates.items():
        mine, key = (group == 0) & (model == name) & keep, model_key(name)
        if mine.sum() < FLEET_DAYS * keep.mean():
            continue
        later = rows.get(key, [])
        until = float(np.percentile(age[mine], 99))
        rows[key] = [(0.0, *rate), *((until, *row[1:]) for row in later)]
    return rows


def poisson_rate(failed: float, years: float) -> tuple[float, float, float]:
    """Give a rate with its exact 95% interval."""
    low = chi2.ppf(0.025, 2 * failed) / 2 if failed else 0.0
    return failed / years, low / years, chi2.ppf(0.975, 2 * failed + 2) / 2 / years


def class_rows(days: Days, died: dict[str, str], share: float, keep: np.ndarray) -> dict[str, list]:
    """Give signless base rates for classes: small drives by age, large ones from the table."""
    group, age, serial = np.array(days.group), np.array(days.age_years), np.array(days.serial)
    _, last = np.unique(serial[::-1], return_index=True)
    final = len(serial) - 1 - last
    small = []
    cuts = (0.0, 1.0, 2.0, 3.0, 1e9)
    for low, high in pairwise(cuts):
        inside = (group == 0) & (age >= low) & (age < high) & keep
        dead = sum(serial[i] in died for i in final if inside[i])
        small.append((low, *(share * x for x in poisson_rate(dead, inside.sum() / YEAR))))
    big = [
        r
        for r in published_rates()
        if r["capacity_tb"] and float(r["capacity_tb"]) >= 4 and float(r["drive_days"]) > 1e5
    ]
    each = np.array([float(r["afr_pct"]) / 100 for r in big])
    pooled = sum(float(r["failures"]) for r in big) / (
        sum(float(r["drive_days"]) for r in big) / YEAR
    )
    spread = [float(x) for x in np.percentile(each, [10, 90])]
    return {
        "small": small,
        "large": [(0.0, pooled * share, min(spread[0], pooled) * share, spread[1] * share)],
        "flash": [(0.0, 0.0022, 0.0007, 0.012)],
    }


def written(rows: dict[str, object], kind: str) -> str:
    """Write a table of rows as Python text, as the formatter would."""
    lines = [f"{kind} = {{"]
    for name, kept in rows.items():
        texts = [
            f"({start if isinstance(start, int) else float(f'{start:.3g}')}, "
            + ", ".join(f"{x:.3g}" for x in numbers)
            + ")"
            for start, *numbers in kept  # type: ignore[attr-defined]
        ]
        if len(texts) == 1:
            lines.append(f'    "{name}": ({texts[0]},),')
        else:
            lines += [f'    "{name}": (', *(f"        {text}," for text in texts), "    ),"]
    return "\n".join(lines) + "\n}\n"


HEAD = '''"""Fitted numbers only: base rates of failing, and by how much each sign multiplies them.

Written by tests/bench/fit_signs.py on {today}; do not edit by hand. Fitted on the open parts of:

* backblaze_fleet_2013 (2013-04-10 to 2013-05-19, all drives of a fleet, every day)
* backblaze_st12000_2020 (one model, 2020-03-01 and 2020-06-01, and the last days of the failed)
* backblaze_lastday_2019 (one laptop model, the last ten days)

Model rates: Backblaze lifetime data up to 2024 Q2 (afr_tables), and for the models of 2013 the
fleet itself up to the age that it saw. Rates of flash: Maneas et al., FAST 2020 (0.22% a year, 0.07
to 1.2%). Not fitted, for want of open data: log-media (Pinheiro et al., FAST 2007 section 3.5.1),
self-test (section 3.5.3, taken as alike), own-verdict (Murray et al., JMLR 6, 2005: 3 to 10% found
at 0.1% false), media-errors (our choice).
"""

from __future__ import annotations

from typing import Final

Rows = tuple[tuple[float, float, float, float], ...]
"""Rows of (from this value on, number, low, high); low and high are a 95% interval."""

FITTED_ON: Final = "backblaze_fleet_2013, backblaze_st12000_2020, backblaze_lastday_2019 (open)"
FITTED_AT: Final = "{today}"
FITTED_BY: Final = "tests/bench/fit_signs.py"

# By how much drives with no sign fail less often than all drives of their model.
SIGNLESS_SHARE: Final = {share:.3f}

'''


@dataclass(frozen=True)
class Table:
    """What goes into ``risk_table.py``."""

    share: float
    base: dict[str, list]
    factors: dict[str, tuple]
    models: dict[str, list]


def fit_table(days: Days, died: dict[str, str], keep: np.ndarray, *, intervals: bool) -> Table:
    """Fit on the drive-days in ``keep``; without intervals they are left at the factor itself."""
    matrix, names = days.matrix(ROWS)
    fitter = Fitter(days, matrix)
    fitter.weight = fitter.weight * keep
    mean, rates = fleet_rates(days, died, keep)
    offset = offsets(days, mean, rates)
    level, beta = fitter.fit(offset, fitter.weight)
    draws = resampled(fitter, days, offset) if intervals else beta[None, :]
    share = float(np.exp(level[0]) / mean)
    return Table(
        share=share,
        base=class_rows(days, died, share, keep),
        factors=factor_rows(names, beta, draws) | PUBLISHED,
        models=dict(sorted((model_rows(days, rates, keep) | laptop_rows(keep, days)).items())),
    )


def laptop_rows(keep: np.ndarray, days: Days) -> dict[str, list]:
    """Give the rate of the laptop model of 2019: drives failed that year, over drives times a year.

    A failed drive was there for half the year on average.
    """
    group, serial = np.array(days.group), np.array(days.serial)
    failed = np.array(days.failed)
    mine = (group == 2) & keep
    dead = len(set(serial[mine & failed]))
    alive = len(set(serial[mine])) - dead
    return {"MQ01ABF050": [(0.0, *poisson_rate(dead, alive + dead / 2))]}


def main() -> None:
    """Fit, print and write."""
    days, died = load()
    table = fit_table(days, died, np.ones(len(days.days), bool), intervals=True)
    text = HEAD.format(today=date.today().isoformat(), share=table.share)  # noqa: DTZ011
    text += "# class -> failures per drive-year with no sign, from an age in years on\n"
    text += written(table.base, "BASE: Final[dict[str, Rows]]")
    text += "\n# sign -> factors, from a value of the sign on; below the first row it is 1\n"
    text += written(table.factors, "FACTORS: Final[dict[str, Rows]]")
    text += "\n# model -> failures per drive-year of all drives of it, from an age in years on\n"
    text += written(table.models, "MODELS: Final[dict[str, Rows]]")
    print(text)
    if "--dry" not in sys.argv[1:]:
        TARGET.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
