"""Cases drawn from the network itself, and how many checks it takes to be sure of them.

``python -m tests.causes.drawn`` prints the figures for 5,000 cases: how well stated probabilities hold, and
what it costs to be 90 % sure by the program's order, by a fixed list and by chance.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from audiodiag.causes.checks import ranked_checks
from audiodiag.causes.information import joint_table
from audiodiag.causes.knowledge import Check, Knowledge
from audiodiag.causes.loading import load_knowledge
from audiodiag.causes.network import answer_table, posterior, symptom_table
from audiodiag.causes.state import State
from audiodiag.classifier.store import measured_confusion

CERTAIN = 0.9


@dataclass(frozen=True, eq=False)
class Case:
    """What is truly at work (row of the sets), what the classifier would say, what looking would find."""

    truth: int
    heard: dict[str, float]
    answers: dict[str, str]


@dataclass(frozen=True)
class Run:
    """What one way of checking took: number of checks, money and time, surcharged price, whether sure."""

    checks: int
    cost: float
    price: float
    certain: bool
    right: bool


def draw_cases(knowledge: Knowledge, count: int, *, seed: int) -> list[Case]:
    """Draw causes, then sounds, then what the classifier hears of them by its confusion, then all answers.

    What is called heard comes as probability 1, else 0: the inference then weighs it by the same confusion.
    """
    rng = np.random.default_rng(seed)
    prior = posterior({}, {}, knowledge=knowledge)
    confusion = measured_confusion()
    sounds = {s.name: symptom_table(knowledge, s.name, known_pump=False) for s in knowledge.symptoms}
    tables = {o.name: answer_table(knowledge, o.name, known_pump=False) for o in knowledge.observations}
    cases = []
    for truth in rng.choice(len(prior.weight), size=count, p=prior.weight):
        heard = {}
        for name, table in sounds.items():
            there = rng.random() < table[truth]
            share = confusion[name].recall if there else confusion[name].false_alarms
            heard[name] = float(rng.random() < share)
        answers = {
            o.name: o.answers[rng.choice(len(o.answers), p=tables[o.name][truth])].name
            for o in knowledge.observations
        }
        cases.append(Case(int(truth), heard, answers))
    return cases


def cost_of(check: Check, knowledge: Knowledge) -> float:
    """Money and one's own time, without the surcharge that nobody pays."""
    return 0.5 * (check.cost_low + check.cost_high) + knowledge.prices.minute * check.minutes


class Walker:
    """Walks a case through checks until it is certain; remembers what the program advises in each state."""

    def __init__(self, knowledge: Knowledge) -> None:
        self.knowledge = knowledge
        self.members = posterior({}, {}, knowledge=knowledge).members
        self.faults = [i for i, cause in enumerate(knowledge.at_work) if cause.kind == "fault"]
        self.no_fault = ~self.members[:, self.faults].any(axis=1)
        self._starts: dict[tuple[tuple[str, float], ...], np.ndarray] = {}
        self._advised: dict[tuple[object, ...], tuple[str, ...]] = {}
        self._columns = {
            (seen.name, answer.name): joint_table(knowledge, [seen.name], known_pump=False)[:, place]
            for seen in knowledge.observations
            for place, answer in enumerate(seen.answers)
        }

    def column(self, seen: str, answer: str) -> np.ndarray:
        """Probability of an answer for every set."""
        return self._columns[seen, answer]

    def start(self, case: Case) -> np.ndarray:
        key = tuple(sorted(case.heard.items()))
        if key not in self._starts:
            self._starts[key] = posterior(case.heard, {}, knowledge=self.knowledge).weight
        return self._starts[key]

    def certainty(self, weight: np.ndarray) -> tuple[int, float]:
        """Column of the fault to repair first, -1 for none at all, and its probability."""
        shares = weight @ self.members[:, self.faults]
        none = float(weight[self.no_fault].sum())
        best = int(shares.argmax())
        return (-1, none) if none >= shares[best] else (self.faults[best], float(shares[best]))

    def walk(self, case: Case, choose: Callable[[Case, dict[str, str], list[str]], str | None]) -> Run:
        """Do checks as chosen until certain, or until none is chosen or left."""
        weight, told, left = self.start(case), {}, [check.name for check in self.knowledge.checks]
        checks, cost, price = 0, 0.0, 0.0
        best, sure = self.certainty(weight)
        while sure < CERTAIN and left:
            name = choose(case, told, left)
            if name is None:
                break
            check = self.knowledge.check(name)
            left.remove(name)
            checks, cost, price = checks + 1, cost + cost_of(check, self.knowledge), price + check.price
            for seen in check.settles:
                if seen not in told:
                    told[seen] = case.answers[seen]
                    weight = weight * self._columns[seen, told[seen]]
            weight = weight / weight.sum()
            best, sure = self.certainty(weight)
        truth = self.no_fault[case.truth] if best < 0 else bool(self.members[case.truth, best])
        return Run(checks, cost, price, sure >= CERTAIN, bool(truth))

    def advised(self, case: Case, told: dict[str, str], left: list[str]) -> str | None:
        """The program's own first check; where it advises none any more, none."""
        key = (tuple(sorted(case.heard.items())), tuple(sorted(told.items())))
        if key not in self._advised:
            state = State(self.knowledge, case.heard, dict(told))
            self._advised[key] = tuple(check.name for check, _ in ranked_checks(state))
        return next((name for name in self._advised[key] if name in left), None)

    def advised_to_the_end(self, case: Case, told: dict[str, str], left: list[str]) -> str | None:
        """As advised; then, like a list that knows no end, what is left, the cheapest first."""
        cheapest = min(left, key=lambda name: self.knowledge.check(name).price)
        return self.advised(case, told, left) or cheapest


def in_file_order(case: Case, told: dict[str, str], left: list[str]) -> str | None:
    return left[0]


def by_chance(seed: int) -> Callable[[Case, dict[str, str], list[str]], str | None]:
    rng = np.random.default_rng(seed)
    return lambda case, told, left: left[int(rng.integers(len(left)))]


def mean(values: Iterable[float]) -> float:
    return float(np.mean(list(values)))


def stated_and_true(
    knowledge: Knowledge, cases: list[Case], *, looked: float, seed: int
) -> tuple[np.ndarray, np.ndarray]:
    """Every cause's stated probability after a random share of the questions, and whether it is at work."""
    rng = np.random.default_rng(seed)
    walker = Walker(knowledge)
    said, true = [], []
    for case in cases:
        weight = walker.start(case)
        for seen, answer in case.answers.items():
            if rng.random() < looked:
                weight = weight * walker.column(seen, answer)
        weight = weight / weight.sum()
        said.append(np.append(weight @ walker.members, weight[0]))
        true.append(np.append(walker.members[case.truth], float(case.truth == 0)))
    return np.concatenate(said), np.concatenate(true)


def main(count: int) -> None:
    knowledge = load_knowledge()
    cases = draw_cases(knowledge, count, seed=5)
    for looked in (0.0, 0.3, 0.7):
        said, true = stated_and_true(knowledge, cases, looked=looked, seed=6)
        print(f"{looked:.0%} of the questions answered:")
        for low in np.arange(0.05, 0.95, 0.1):
            inside = (said >= low) & (said < low + 0.1)
            if inside.any():
                print(f"  said {said[inside].mean():.3f}  true {true[inside].mean():.3f}  of {inside.sum()}")
    walker = Walker(knowledge)
    ways = {
        "program": walker.advised,
        "program, then all the rest": walker.advised_to_the_end,
        "fixed list": in_file_order,
        "by chance": by_chance(7),
    }
    for name, choose in ways.items():
        runs = [walker.walk(case, choose) for case in cases]
        sure = [run for run in runs if run.certain]
        print(
            f"{name}: {mean(r.checks for r in runs):.2f} checks, {mean(r.cost for r in runs):.1f} "
            f"{knowledge.prices.currency} (with surcharge {mean(r.price for r in runs):.1f}); certain "
            f"{len(sure) / len(runs):.1%} of cases, there {mean(r.checks for r in sure):.2f} checks, "
            f"{mean(r.cost for r in sure):.1f}, right {mean(r.right for r in sure):.1%}; "
            f"spent for each certain case {sum(r.cost for r in runs) / len(sure):.1f}",
            flush=True,
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 5000)
