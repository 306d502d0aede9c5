"""Decision trees as flat lists of plain numbers: what they say, and what each measure did to it.

All trees of a model lie in one list of nodes. A leaf points to itself. The answer is the sum over all trees
of the value of the leaf reached, plus a base. The change of value along each step of the path is charged
to the measure that was asked there (the path method of Saabas, 2014, from memory), so the charges add up to
the answer exactly.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from audiodiag.classifier.features import IntArray
from audiodiag.records import FloatArray

__all__ = ["Trees", "tree_charges", "tree_sums"]


@dataclass(frozen=True, eq=False)
class Trees:
    """Nodes of all trees, shape (nodes,) each, and where each tree starts, shape (trees,).

    ``measure``: the column asked. ``threshold``: go left at or below it. ``missing_left``: 1 where missing
    goes left. ``value``: what the node would answer if it were a leaf. ``single``: values are rounded to
    single precision before they are compared, as the forest does that was fitted so.
    """

    root: IntArray
    measure: IntArray
    threshold: FloatArray
    left: IntArray
    right: IntArray
    missing_left: IntArray
    value: FloatArray
    base: float
    single: bool

    def to_plain(self) -> dict[str, Any]:
        """Give the trees as lists for a JSON file."""
        whole = {name: getattr(self, name).tolist() for name in _WHOLE}
        return whole | {
            "threshold": self.threshold.tolist(),
            "value": self.value.tolist(),
            "base": self.base,
            "single": self.single,
        }

    @classmethod
    def from_plain(cls, plain: dict[str, Any]) -> Trees:
        """Take the trees from lists; raises ``KeyError`` or ``ValueError`` where they break.

        >>> plain = {"root": [0], "measure": [0, 0, 0], "threshold": [1.5, 0, 0], "left": [1, 1, 2],
        ...          "right": [2, 1, 2], "missing_left": [1, 0, 0], "value": [0.5, 0.0, 1.0], "base": 0.25,
        ...          "single": False}
        >>> trees = Trees.from_plain(plain)
        >>> tree_sums(trees, np.array([[1.0], [2.0], [np.nan]])).tolist()
        [0.25, 1.25, 0.25]
        """
        whole = {name: np.array(plain[name], dtype=np.int64) for name in _WHOLE}
        count = len(whole["measure"])
        trees = cls(
            **whole,
            threshold=np.array(plain["threshold"], dtype=float),
            value=np.array(plain["value"], dtype=float),
            base=float(plain["base"]),
            single=bool(plain["single"]),
        )
        if any(each.ndim != 1 for each in (*whole.values(), trees.threshold, trees.value)):
            raise ValueError("a list of nodes within a list")
        if not np.isfinite(trees.base):
            raise ValueError("a base that is no number")
        node = np.arange(count)
        lengths = {len(whole["left"]), len(whole["right"]), len(whole["missing_left"]), len(trees.threshold)}
        if lengths | {len(trees.value)} != {count}:
            raise ValueError("lists of nodes differ in length")
        if count and not all(
            np.all((whole[side] >= node) & (whole[side] < count)) for side in ("left", "right")
        ):
            raise ValueError("a tree leads back or out of the list")
        if len(trees.root) and not np.all((trees.root >= 0) & (trees.root < count)):
            raise ValueError("a tree starts out of the list")
        return trees


_WHOLE = ("root", "measure", "left", "right", "missing_left")


def tree_sums(trees: Trees, values: FloatArray) -> FloatArray:
    """Give the answer for each row of ``values`` (n, m), NaN where missing; shape (n,)."""
    asked = _asked(trees, values)
    node = np.broadcast_to(trees.root, (len(asked), len(trees.root)))
    while True:
        following = _step(trees, asked, node)
        if np.array_equal(following, node):
            return trees.base + trees.value[node].sum(axis=1)
        node = following


def tree_charges(trees: Trees, values: FloatArray) -> FloatArray:
    """Give what each measure did to each answer, shape (n, m).

    The charges of a row add up to its answer less the base and less the values at the roots.
    """
    asked = _asked(trees, values)
    charges = np.zeros(asked.shape)
    row = np.arange(len(asked))[:, None]
    node = np.broadcast_to(trees.root, (len(asked), len(trees.root)))
    while True:
        following = _step(trees, asked, node)
        if np.array_equal(following, node):
            return charges
        np.add.at(charges, (row, trees.measure[node]), trees.value[following] - trees.value[node])
        node = following


def _asked(trees: Trees, values: FloatArray) -> FloatArray:
    """Give the values as the trees compare them."""
    whole = np.asarray(values, dtype=float)
    return whole.astype(np.float32).astype(float) if trees.single else whole


def _step(trees: Trees, asked: FloatArray, node: IntArray) -> IntArray:
    """Go one question down in every tree; leaves stay where they are."""
    value = asked[np.arange(len(asked))[:, None], trees.measure[node]]
    go_left = np.where(np.isnan(value), trees.missing_left[node] == 1, value <= trees.threshold[node])
    return np.where(go_left, trees.left[node], trees.right[node])
