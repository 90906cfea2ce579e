"""Measure the search on made-up plants whose truth is known; print the tables as Markdown.

Run it from the project's root::

    PYTHONPATH=.:tests python tests/benchmarks/search_table.py labels --runs 16
    PYTHONPATH=.:tests python tests/benchmarks/search_table.py one-sided --runs 12
    PYTHONPATH=.:tests python tests/benchmarks/search_table.py descent
    PYTHONPATH=.:tests python tests/benchmarks/search_table.py rivals --runs 6

Every cost is a true one, on 600,000 goods and 40,000 defects drawn anew from the plant, over
that of the best setting for exactly those.
"""

import argparse
import warnings
from dataclasses import replace
from itertools import product
from time import perf_counter

import numpy as np
import optuna
from made_up_plant import (
    best_attainable,
    make_harder_plant,
    make_history,
    make_plant,
    make_truth,
    true_cost,
)
from scipy.stats import beta, t

from optimiser.search.blur import (
    NARROW_FROM,
    NARROWING,
    Blur,
    escape_prices,
    make_clouds,
    own_tables,
)
from optimiser.search.crossfit import Way, fit, hold_out, make_yardstick
from optimiser.search.descent import best_of, cost_of, make_terrain, starts_for
from optimiser.search.exact import exact_front
from optimiser.search.study import prior_way, run_study
from optimiser.tally.count import is_called

PLANTS = {"plant": make_plant, "harder plant": make_harder_plant}
LEVEL = 0.9


def counted_cost(problem, setting):
    """In-sample cost: counted false calls and counted escapes."""
    missed = ~is_called(setting, problem.defect_ranks)
    called = is_called(setting, problem.ranks) @ np.asarray(problem.counts.sum(axis=1))
    return problem.false_call_cost * called + escape_prices(problem)[missed].sum()


def best_count(problem):
    """The exact front's cheapest point."""
    points = exact_front(problem, time_limit_s=3.0).points
    return min((point.setting for point in points), key=lambda s: counted_cost(problem, s))


def fixed_width(width):
    """Descent with one plain bandwidth, whatever the number of labels; nothing unseen."""

    def choose(problem):
        weight = problem.defect_weight
        number = weight.sum() ** 2 / (weight @ weight)
        widened = width * (number / NARROW_FROM) ** -NARROWING
        return fit(problem, Way(blur=Blur(bandwidth=widened, unseen=0.0)))

    return choose


def row(cells):
    return "| " + " | ".join(str(cell) for cell in cells) + " |"


def header(cells):
    return row(cells) + "\n" + row("---" for _ in cells)


def plants(make, runs):
    """Plant, truth and least attainable cost of each run."""
    for seed in range(runs):
        plant = make(seed)
        truth = make_truth(plant, seed)
        yield seed, plant, truth, true_cost(plant, truth, best_attainable(plant, truth))


def promise(result, problem):
    """Promised false calls (optimism taken off) and escapes, each with a plain interval."""
    lots = result.lot_fold.size
    calls = result.setting_false_calls + result.optimism / lots
    half = t.ppf((1 + LEVEL) / 2, lots - 1) * np.sqrt(lots * calls.var(ddof=1))
    weight = problem.defect_weight
    escapes, number = result.escape @ weight, weight.sum() ** 2 / (weight @ weight)
    share = escapes / weight.sum()
    k = share * number
    low = beta.ppf((1 - LEVEL) / 2, max(k, 1e-9), number - k + 1)
    high = beta.ppf((1 + LEVEL) / 2, k + 1, max(number - k, 1e-9))
    scale = weight.sum()
    return (calls.sum(), calls.sum() - half, calls.sum() + half), (
        escapes,
        low * scale if k > 0 else 0.0,
        high * scale,
    )


def tell_promises(books):
    """Promised over realised and coverage, by number of labels."""
    print(f"\nHeld-out promise against the truth of the final setting ({LEVEL:.0%} intervals):\n")
    print(header(["labels", "false calls: ratio", "covered", "escapes: ratio", "covered"]))
    for name, book in books.items():
        cells = [name]
        for which in (0, 1):
            middle, low, high, truth = np.array([entry[which] for entry in book]).T
            cells += [f"{middle.sum() / truth.sum():.2f}"]
            cells += [f"{np.mean((low <= truth) & (truth <= high)):.2f}"]
        print(row(cells))


def measure(make, runs, settings, methods, **kwargs):
    """True cost ratios of methods and of the study, with the study's promises."""
    ratios, books, took = {}, {}, []
    for seed, plant, truth, least in plants(make, runs):
        for name, extra in settings.items():
            history = make_history(plant, 1_000 + seed, **kwargs, **extra)
            problem = history.problem
            for method, choose in methods.items():
                cost = true_cost(plant, truth, choose(problem)) / least
                ratios.setdefault((name, method), []).append(cost)
            start = perf_counter()
            result = run_study(problem, seed=seed)
            took.append(perf_counter() - start)
            cost = true_cost(plant, truth, result.setting) / least
            ratios.setdefault((name, "study"), []).append(cost)
            false_rate, escape_rate, _ = truth.rates(result.setting)
            calls, escapes = promise(result, problem)
            books.setdefault(name, []).append(
                (
                    (*calls, false_rate * history.goods),
                    (*escapes, escape_rate * history.defects),
                )
            )
    return ratios, books, took


def tell(ratios, books, took, methods):
    print(header(["labels", *methods, "study", "s.e.", "study, worst run"]))
    for name in books:
        cells = [f"{np.mean(ratios[name, method]):.3f}" for method in (*methods, "study")]
        study = ratios[name, "study"]
        error = np.std(study, ddof=1) / np.sqrt(len(study))
        print(row([name, *cells, f"{error:.3f}", f"{max(study):.2f}"]))
    tell_promises(books)
    print(f"\n{len(took)} studies of 60 trials, median {np.median(took):.2f} s each.")


def labels(runs):
    methods = {
        "live": lambda problem: problem.live,
        "best count": best_count,
        "h = 1": fixed_width(1.0),
        "h = 1.5": fixed_width(1.5),
        "h = 2": fixed_width(2.0),
        "prior way": lambda problem: fit(problem, prior_way(problem)),
    }
    for name, make in PLANTS.items():
        print(f"\n### Fully labelled, {name}, mean of {runs} runs\n")
        settings = {f"{d}": {"defects": d} for d in (10, 20, 40, 100)}
        tell(*measure(make, runs, settings, methods), methods)


def one_sided(runs):
    methods = {
        "live": lambda problem: problem.live,
        "best count": best_count,
        "h = 1.5": fixed_width(1.5),
        "prior way": lambda problem: fit(problem, prior_way(problem)),
    }
    print(f"\n### One-sided labels, plant, mean of {runs} runs\n")
    settings = {
        f"{word} ({live} sd), {d}": {"defects": d, "live": live}
        for word, live in (("tight", 2.6), ("middling", 3.5), ("loose", 4.5))
        for d in (15, 40, 120)
    }
    tell(*measure(make_plant, runs, settings, methods, one_sided=True), methods)


def descent(runs):
    print("\n### Descent against brute force and against many starts\n")
    print(header(["family", "least found over least of all", "worst", "ms"]))
    rng = np.random.default_rng(0)
    small, many, few_ms = [], [], []
    for seed in range(runs):
        plant = replace(make_plant(seed), levels=np.array([2.0, 3.0, 4.0, 5.0, np.inf]))
        problem = make_history(plant, seed, defects=15, goods=20_000, lots=4).problem
        terrain, every = terrain_of(problem), np.ones(problem.m, dtype=bool)
        least = min(cost_of(terrain, np.array(s)) for s in product(range(5), repeat=6))
        found = best_of(terrain, starts_for(terrain, problem.live, every), every)
        small.append(cost_of(terrain, found) / least)
        problem = make_history(make_harder_plant(seed), seed, defects=40).problem
        terrain = terrain_of(problem)
        every = np.ones(problem.m, dtype=bool)
        start = perf_counter()
        few = cost_of(terrain, best_of(terrain, starts_for(terrain, problem.live, every), every))
        few_ms.append(1_000 * (perf_counter() - start))
        more = [rng.integers(0, 52, problem.m) for _ in range(60)]
        many.append(few / min(few, cost_of(terrain, best_of(terrain, more, every))))
    print(
        row(
            [
                "6 limits x 5 levels, all 15,625 settings",
                f"{np.mean(small):.4f}",
                f"{max(small):.4f}",
                "",
            ]
        )
    )
    print(
        row(
            [
                "8 limits x 52, 60 random starts",
                f"{np.mean(many):.5f}",
                f"{max(many):.5f}",
                f"{np.median(few_ms):.1f}",
            ]
        )
    )


def terrain_of(problem):
    blur, every = Blur(), np.ones(problem.defect_lot.size, dtype=bool)
    return make_terrain(problem, make_clouds(problem, blur, own_tables(problem, blur), every))


def without(problem, lot_fold, fold):
    """The family as it is without one fold's lots and defects, for methods that only count."""
    kept = lot_fold[problem.defect_lot] != fold
    counts = problem.counts.toarray()
    counts[:, lot_fold == fold] = 0
    return replace(
        problem,
        counts=type(problem.counts)(counts),
        **{
            name: getattr(problem, name)[kept]
            for name in (
                "defect_ranks",
                "defect_z",
                "defect_lot",
                "defect_weight",
                "defect_price",
                "defect_called",
            )
        },
    )


def directly(sampler):
    """A thousand optuna trials on the limits themselves, counted cost as the objective."""

    def choose(problem):
        totals = np.asarray(problem.counts.sum(axis=1))
        prices = escape_prices(problem)

        def objective(trial):
            setting = np.array(
                [
                    trial.suggest_int(f"{i}", 0, level.size - 1)
                    for i, level in enumerate(problem.levels)
                ]
            )
            missed = ~is_called(setting, problem.defect_ranks)
            called = is_called(setting, problem.ranks) @ totals
            return problem.false_call_cost * called + prices[missed].sum()

        study = optuna.create_study(direction="minimize", sampler=sampler())
        study.enqueue_trial({f"{i}": int(j) for i, j in enumerate(problem.live)})
        study.optimize(objective, n_trials=1_000)
        return np.array([study.best_params[f"{i}"] for i in range(problem.m)])

    return choose


def rivals(runs):
    optuna.logging.set_verbosity(optuna.logging.WARNING)
    warnings.simplefilter("ignore", optuna.exceptions.ExperimentalWarning)
    methods = {
        "best count": best_count,
        "NSGA-II on the limits, 1,000": directly(lambda: optuna.samplers.NSGAIISampler(seed=1)),
        "TPE on the limits, 1,000": directly(lambda: optuna.samplers.TPESampler(seed=1)),
        "descent, h = 1.5": fixed_width(1.5),
    }
    figures = {name: [] for name in ("live", *methods, "study, 60 trials")}
    for seed, plant, truth, least in plants(make_plant, runs):
        problem = make_history(plant, 1_000 + seed, defects=40).problem
        yardstick = make_yardstick(problem)
        scale = least * 100_000 * problem.false_call_cost

        def note(
            name,
            setting,
            calls,
            escape,
            seconds,
            problem=problem,
            plant=plant,
            truth=truth,
            least=least,
            scale=scale,
        ):
            held_out = problem.false_call_cost * calls.sum() + escape @ escape_prices(problem)
            true = true_cost(plant, truth, setting) / least
            figures[name].append(
                (counted_cost(problem, setting) / scale, held_out / scale, true, seconds)
            )

        count = yardstick.folds
        same = np.broadcast_to(problem.live, (count, count, problem.m))
        live = hold_out(problem, problem.live, same, yardstick)
        note("live", problem.live, live.false_calls, live.escape, 0.0)
        for name, choose in methods.items():
            start = perf_counter()
            setting = choose(problem)
            seconds = perf_counter() - start
            folds = [
                choose(without(problem, yardstick.lot_fold, v)) for v in range(yardstick.folds)
            ]
            fitted = np.repeat(np.array(folds)[None, :], count, axis=0)
            outcome = hold_out(problem, setting, fitted, yardstick)
            note(name, setting, outcome.false_calls, outcome.escape, seconds)
        start = perf_counter()
        result = run_study(problem, seed=seed)
        seconds = perf_counter() - start
        note("study, 60 trials", result.setting, result.false_calls, result.escape, seconds)
    print(
        f"\n### 40 labels, plant, mean of {runs} runs; costs over the best attainable true cost\n"
    )
    print(header(["method", "counted", "cross-fitted", "true", "seconds, once"]))
    for name, entries in figures.items():
        counted, held_out, true, seconds = np.mean(entries, axis=0)
        print(row([name, f"{counted:.3f}", f"{held_out:.3f}", f"{true:.3f}", f"{seconds:.2f}"]))


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    tables = {"labels": labels, "one-sided": one_sided, "descent": descent, "rivals": rivals}
    parser.add_argument("table", choices=tables)
    parser.add_argument("--runs", type=int, default=12)
    arguments = parser.parse_args()
    tables[arguments.table](arguments.runs)


if __name__ == "__main__":
    main()
