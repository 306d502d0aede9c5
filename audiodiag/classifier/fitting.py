"""Fit the families: how each kind of model is made from a table, with fixed seeds and on one thread.

scikit-learn does the fitting and is imported in use; what leaves here are plain numbers.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from typing import Any

import numpy as np

from audiodiag.classifier.families import Bayes, Boosted, Forest, Linear, Scorer, probability_of
from audiodiag.classifier.features import KINKS, IntArray, Mask, Scaling, design, learn_scaling, scaled
from audiodiag.classifier.leanings import BESIDE, WITH
from audiodiag.classifier.scores import area_under_curve
from audiodiag.classifier.trees import Trees
from audiodiag.records import SYMPTOMS, FloatArray

__all__ = ["CANDIDATES", "FEWEST", "HELD_KINKED", "TREES", "Candidate", "fit", "listened_to", "one_thread"]

FEWEST = 8
"""Clips with and clips without a symptom below which nothing is learnt but how often it occurs."""

STEADY = 0.4
"""Beside the loss a linear model is charged half of so many times the square by which its log-odds of a clip
differ from their mean over all clips of that recording: how a clip was passed on says nothing of the car."""

_held: ContextVar[bool] = ContextVar("held to one thread", default=False)

BEYOND_ALL = 1e300
"""Stands for an infinite threshold, which JSON cannot hold."""


@dataclass(frozen=True)
class Candidate:
    """One way to fit: its name, its kind of model, its place from simple to intricate, and its settings.

    own: listens only to the measures of the symptom itself and to those of the clip as a whole. alone: to
    those of the symptom itself only. held: no measure weighs against what physics says (``leanings``).
    """

    name: str
    kind: str
    complexity: float
    settings: dict[str, Any]
    own: bool = False
    alone: bool = False
    held: bool = False


HELD_KINKED = Candidate(
    "held kinked logistic", "linear", 0.9, {"strength": 0.03, "kinks": KINKS}, own=True, held=True
)

CANDIDATES: tuple[Candidate, ...] = (
    Candidate("naive Bayes on 12 measures", "bayes", 5, {"measures": 12}, own=True),
    Candidate("tight logistic", "linear", 1, {"strength": 0.02, "kinks": ()}, own=True),
    Candidate("logistic", "linear", 2, {"strength": 0.1, "kinks": ()}, own=True),
    Candidate("tight kinked logistic", "linear", 3, {"strength": 0.01, "kinks": KINKS}, own=True),
    Candidate("kinked logistic", "linear", 4, {"strength": 0.03, "kinks": KINKS}, own=True),
    Candidate("held logistic", "linear", 0.3, {"strength": 0.03, "kinks": ()}, alone=True, held=True),
    Candidate("held wide logistic", "linear", 0.6, {"strength": 0.03, "kinks": ()}, own=True, held=True),
    HELD_KINKED,
)
"""The simplest within one standard error of the best is kept; naive Bayes, which takes alike measures for so
many witnesses, counts as the least simple.

All listen to a symptom's own measures and, but for the held logistic, those of the whole clip. With the
other symptoms' measures the log loss on simulated clips was lower by up to 0.02 (growl, chirp), but what a
growl "owes" to the measures of a squeal is the habit of the simulation, and no reason that could be told to
a person.
"""

LARGEST = 1e300
"""Thresholds of trees are held within plus and minus this."""

NO_EVIDENCE = ("speed_unsteadiness_percent", "speed_confidence")
"""Measures of the whole clip that speak for no symptom: that somebody revs the engine makes no groan, and
how sure its speed is tells how far the others can be believed (``calibrate.Believed``)."""

TREES: tuple[Candidate, ...] = (
    Candidate("boosted trees", "boosted", 5, {"trees": 80, "leaves": 6, "rate": 0.1}, own=True),
    Candidate("random forest", "forest", 6, {"trees": 60, "leaves": 20}, own=True),
)
"""No longer compared: of all families they knew least of a simulation of bays that they had not heard."""


def listened_to(candidate: Candidate, measures: tuple[str, ...], symptom: str) -> Mask:
    """Tell which measures a candidate listens to for a symptom, shape (m,).

    The measures of a symptom begin with the last word of its name; those of no symptom are for all, and a few
    of another symptom, which would account for the same sound or which this one shows too, are heard as well
    (``leanings.BESIDE``, ``leanings.WITH``).

    >>> own = Candidate("own", "linear", 0, {}, own=True)
    >>> listened_to(own, ("whine_share_db", "chirp_rate", "noise_slope"), "pump_whine").tolist()
    [True, False, True]
    """
    if candidate.alone:
        return np.array([name.startswith(f"{symptom.split('_')[-1]}_") for name in measures], dtype=bool)
    if not candidate.own:
        return np.ones(len(measures), dtype=bool)
    others = tuple(f"{name.split('_')[-1]}_" for name in SYMPTOMS if name != symptom)
    heard = BESIDE.get(symptom, ()) + WITH.get(symptom, ())
    return np.array(
        [name in heard or (not name.startswith(others) and name not in NO_EVIDENCE) for name in measures],
        dtype=bool,
    )


@contextmanager
def one_thread() -> Iterator[None]:
    """Hold numerical libraries to one thread, so that sums are added in one order and repeat to the bit.

    Only libraries that are loaded by then are held, so those that fit are loaded first. Inside another
    ``one_thread`` nothing is left to do: finding the libraries takes some 10 ms.
    """
    if _held.get():
        yield
        return
    import sklearn.ensemble
    import sklearn.naive_bayes  # noqa: F401
    from threadpoolctl import threadpool_limits

    token = _held.set(True)
    try:
        with threadpool_limits(1):
            yield
    finally:
        _held.reset(token)


def fit(
    candidate: Candidate,
    values: FloatArray,
    present: FloatArray,
    *,
    weight: FloatArray | None = None,
    listen: Mask | None = None,
    lean: FloatArray | None = None,
    recording: IntArray | None = None,
    seed: int = 0,
) -> Scorer:
    """Fit one candidate on ``values`` (n, m) and ``present`` (n,).

    Rows of weight 0 or unknown truth are left out; ``listen`` (m,) tells the measures that may count, and
    ``lean`` (m,) which way each may speak where the candidate is held to that. ``recording`` (n,): the number
    of the recording that each row was measured on, of which a linear model says much the same however it was
    passed on. With fewer than ``FEWEST`` clips of either class the answer is a constant.

    >>> rng = np.random.default_rng(0)
    >>> values = rng.normal(size=(80, 3))
    >>> model = fit(CANDIDATES[1], values, (values[:, 1] > 0).astype(float))
    >>> bool(model.odds(np.array([[0.0, 2.0, 0.0]]))[0] > model.odds(np.array([[0.0, -2.0, 0.0]]))[0])
    True
    """
    weights = np.ones(len(values)) if weight is None else np.asarray(weight, dtype=float)
    used = np.isfinite(present) & (weights > 0)
    x, y, w = np.asarray(values)[used], np.asarray(present)[used].astype(int), weights[used]
    if listen is not None:
        x = np.where(listen, x, np.nan)  # nothing can be learnt from what is never there
    scaling = learn_scaling(x)
    if min(int(y.sum()), int((1 - y).sum())) < FEWEST:
        odds = np.log((w @ y + 0.5) / (w @ (1 - y) + 0.5))
        return Linear(scaling, (), np.zeros(x.shape[1] + int(scaling.missing_told.sum())), float(odds))
    make: Callable[..., Scorer] = _FITTERS[candidate.kind]
    how: dict[str, Any] = {}
    if candidate.kind == "linear":
        how["lean"] = lean if candidate.held else None
        how["recording"] = None if recording is None else np.asarray(recording)[used]
    with one_thread():
        return make(x, y, w, scaling, seed, **candidate.settings, **how)


def _fit_linear(
    x: FloatArray,
    y: FloatArray,
    w: FloatArray,
    scaling: Scaling,
    seed: int,
    *,
    strength: float,
    kinks: tuple[float, ...],
    lean: FloatArray | None = None,
    recording: IntArray | None = None,
) -> Linear:
    """Fit a logistic regression; ``strength`` is the inverse of the penalty on squared weights.

    lean: weights keep its sign (m,), 0 leaving them free. recording: of what differs between clips (n,) of
    one recording little is made (``STEADY``).
    """
    from scipy.optimize import minimize

    laid = design(x, scaling, kinks=kinks)
    side = np.zeros(len(laid.measure)) if lean is None else lean[laid.measure]
    first = x.shape[1] + int(scaling.missing_told.sum())
    side[x.shape[1] : first] = 0.0  # that a measure is missing may mean anything
    for place, kink in enumerate(kinks):
        if kink < 0:  # such a term counts what lies below
            side[first + place * x.shape[1] : first + (place + 1) * x.shape[1]] *= -1.0
    heard = np.asarray(laid.columns.any(axis=0))  # most are not listened to, and their weight is nought
    columns, side, count = np.ascontiguousarray(laid.columns[:, heard]), side[heard], int(heard.sum())
    apart = np.zeros((0, count)) if recording is None else _differences(columns, recording)
    penalty = np.eye(count) / strength + STEADY * (apart.T @ apart)

    def loss(numbers: FloatArray) -> tuple[float, FloatArray]:
        weight, offset = numbers[:count], numbers[count]
        odds = columns @ weight + offset
        slope = w * (probability_of(odds) - y)
        pull = penalty @ weight
        value = float(w @ (np.logaddexp(0.0, odds) - y * odds)) + 0.5 * float(weight @ pull)
        return value, np.append(columns.T @ slope + pull, slope.sum())

    bounds = [(0.0 if s > 0 else None, 0.0 if s < 0 else None) for s in side] + [(None, None)]
    start = np.append(np.zeros(count), np.log((w @ y + 0.5) / (w @ (1 - y) + 0.5)))
    found = minimize(loss, start, jac=True, method="L-BFGS-B", bounds=bounds, options={"maxiter": 2000})
    weights = np.zeros(len(heard))
    weights[heard] = found.x[:count]
    return Linear(scaling, tuple(kinks), weights, float(found.x[count]))


def _differences(columns: FloatArray, recording: IntArray) -> FloatArray:
    """Give what sets the clips of one recording apart from their mean, a row for each of several, (k, p).

    >>> _differences(np.array([[1.0], [5.0], [3.0]]), np.array([7, 8, 7])).tolist()
    [[-1.0], [1.0]]
    """
    _, of, clips = np.unique(recording, return_inverse=True, return_counts=True)
    several = clips[of] > 1
    means = np.zeros((len(clips), columns.shape[1]))
    np.add.at(means, of[several], columns[several] / clips[of[several], None])
    return np.asarray(columns[several] - means[of[several]])


def _fit_bayes(
    x: FloatArray, y: FloatArray, w: FloatArray, scaling: Scaling, seed: int, *, measures: int
) -> Bayes:
    """Fit naive Bayes on the measures that rank the clips best one by one."""
    from sklearn.naive_bayes import GaussianNB

    z = scaled(x, scaling)
    telling = np.array([abs(area_under_curve(y, z[:, column]) - 0.5) for column in range(z.shape[1])])
    chosen = np.sort(np.argsort(-telling, kind="stable")[:measures])
    fitted = GaussianNB(var_smoothing=0.05).fit(z[:, chosen], y, sample_weight=w)
    prior = float(np.log(fitted.class_prior_[1] / fitted.class_prior_[0]))
    return Bayes(scaling, chosen, fitted.theta_.copy(), np.maximum(fitted.var_, 1e-12), prior)


def _fit_boosted(
    x: FloatArray,
    y: FloatArray,
    w: FloatArray,
    scaling: Scaling,
    seed: int,
    *,
    trees: int,
    leaves: int,
    rate: float,
    bags: int = 1,
) -> Boosted:
    """Fit gradient-boosted trees, stopped early on a seventh of the clips.

    bags: how many such models, each with another seventh and other measures drawn, are averaged in log-odds:
    their mean depends less on what was drawn.
    """
    parts, base = [], 0.0
    for bag in range(bags):
        grown, start = _grown(x, y, w, seed + bag, trees=trees, leaves=leaves, rate=rate)
        parts += [part | {"value": part["value"] / bags} for part in grown]
        base += start / bags
    return Boosted(_one_list(parts, base=base, single=False))


def _grown(
    x: FloatArray, y: FloatArray, w: FloatArray, seed: int, *, trees: int, leaves: int, rate: float
) -> tuple[list[dict[str, Any]], float]:
    """Give the trees of one gradient-boosted model, and the log-odds that they start from."""
    from sklearn.ensemble import HistGradientBoostingClassifier

    # Binning with weights takes a hundred times as long as without.
    never = np.isnan(x).all(axis=0)  # the trees want at least one value in each column
    fitted = HistGradientBoostingClassifier(
        learning_rate=rate,
        max_iter=trees,
        max_leaf_nodes=leaves,
        min_samples_leaf=10,
        l2_regularization=1.0,
        max_features=0.5,
        max_bins=63,
        early_stopping=True,
        validation_fraction=0.15,
        n_iter_no_change=12,
        random_state=seed,
    ).fit(np.where(never, 0.0, x), y, sample_weight=None if np.ptp(w) == 0 else w)
    grown = [each[0].nodes for each in fitted._predictors]
    parts = []
    for nodes in grown:
        leaf = nodes["is_leaf"] == 1
        parts.append(
            {
                "leaf": leaf,
                "measure": np.where(leaf, 0, nodes["feature_idx"]),
                # What parts missing values from all others asks for infinity, which no model file holds.
                "threshold": np.clip(np.where(leaf, 0.0, nodes["num_threshold"]), -LARGEST, LARGEST),
                "left": nodes["left"].astype(np.int64),
                "right": nodes["right"].astype(np.int64),
                "missing_left": nodes["missing_go_to_left"].astype(np.int64),
                "value": nodes["value"].astype(float),
                "weight": nodes["count"].astype(float),
            }
        )
    return parts, float(fitted._baseline_prediction.ravel()[0])


def _fit_forest(
    x: FloatArray, y: FloatArray, w: FloatArray, scaling: Scaling, seed: int, *, trees: int, leaves: int
) -> Forest:
    """Fit a random forest of shallow trees."""
    from sklearn.ensemble import RandomForestClassifier

    fitted = RandomForestClassifier(
        trees, max_leaf_nodes=leaves, min_samples_leaf=3, max_features=0.2, n_jobs=1, random_state=seed
    ).fit(x, y, sample_weight=w)
    parts = []
    for each in fitted.estimators_:
        tree = each.tree_
        leaf = tree.children_left < 0
        itself = np.arange(tree.node_count)
        parts.append(
            {
                "leaf": leaf,
                "measure": np.where(leaf, 0, tree.feature),
                "threshold": np.where(leaf, 0.0, tree.threshold),
                "left": np.where(leaf, itself, tree.children_left),
                "right": np.where(leaf, itself, tree.children_right),
                "missing_left": np.asarray(tree.missing_go_to_left).astype(np.int64),
                "value": tree.value[:, 0, 1] / tree.value[:, 0, :].sum(axis=1) / trees,
                "weight": tree.weighted_n_node_samples.astype(float),
            }
        )
    return Forest(_one_list(parts, base=0.0, single=True))


def _one_list(parts: list[dict[str, Any]], *, base: float, single: bool) -> Trees:
    """Join trees into one list of nodes; inner nodes get the mean of their leaves as value."""
    starts = np.concatenate([[0], np.cumsum([len(part["leaf"]) for part in parts])])[:-1].astype(np.int64)
    for part, start in zip(parts, starts, strict=True):
        itself = np.arange(len(part["leaf"]))
        left, right = (np.where(part["leaf"], itself, part[side]) for side in ("left", "right"))
        value, weight = part["value"].copy(), part["weight"].copy()
        for node in itself[::-1]:
            if not part["leaf"][node]:
                pair = [left[node], right[node]]
                weight[node] = weight[pair].sum()
                value[node] = np.average(value[pair], weights=weight[pair])
        part |= {"left": left + start, "right": right + start, "value": value}
    joined = {
        name: np.concatenate([part[name] for part in parts])
        for name in ("measure", "threshold", "left", "right", "missing_left", "value")
    }
    joined["threshold"] = np.clip(joined["threshold"], -BEYOND_ALL, BEYOND_ALL)
    return Trees(root=starts, base=base, single=single, **joined)


_FITTERS: dict[str, Callable[..., Scorer]] = {
    "linear": _fit_linear,
    "bayes": _fit_bayes,
    "boosted": _fit_boosted,
    "forest": _fit_forest,
}
