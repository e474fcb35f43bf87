"""The lab as a graph of what rests on what, and whether a witness is independent (rule M2).

A node is a path of the lab file ("channels.beat", "combs.main", "references.maser"); an edge
leads to what the node rests on. A reference rests on its parent, a counted channel on its
reference, a laser on the comb and channels of its equation, a witness on its channel and on
what calibrates it. A text that names nothing in the file is a standard outside it: a node that
rests on nothing.

Pure functions of values: they serve `labref check` and, with changed edges, the run.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

Edges = Mapping[str, frozenset[str]]


@dataclass(frozen=True, slots=True)
class Graph:
    """``edges`` maps a node to the nodes that it rests on directly."""

    edges: Edges = field(default_factory=dict)

    def rests_on(self, *nodes: str) -> frozenset[str]:
        """Return everything that ``nodes`` rest on, directly or not, and the nodes themselves."""
        found: set[str] = set()
        waiting = list(nodes)
        while waiting:
            node = waiting.pop()
            if node not in found:
                found.add(node)
                waiting.extend(self.edges.get(node, ()))
        return frozenset(found)

    def way(self, start: str, goal: str) -> tuple[str, ...]:
        """Return a shortest way from ``start`` down to ``goal``, both included; () if none."""
        before: dict[str, str] = {start: ""}
        queue = [start]
        for node in queue:
            if node == goal:
                return _backwards(before, goal)
            for below in sorted(self.edges.get(node, ())):
                if below not in before:
                    before[below] = node
                    queue.append(below)
        return ()

    def loop(self) -> tuple[str, ...]:
        """Return one closed way (first node repeated at its end), or () if there is none."""
        done: set[str] = set()
        for start in sorted(self.edges):
            trail: list[str] = []
            branches = [iter((start,))]
            while branches:
                node = next(branches[-1], None)
                if node is None:
                    branches.pop()
                    if trail:
                        done.add(trail.pop())
                elif node in trail:
                    return (*trail[trail.index(node) :], node)
                elif node not in done:
                    trail.append(node)
                    branches.append(iter(sorted(self.edges.get(node, ()))))
        return ()


def _backwards(before: Mapping[str, str], goal: str) -> tuple[str, ...]:
    way = [goal]
    while before[way[-1]]:
        way.append(before[way[-1]])
    return tuple(reversed(way))


def shared(graph: Graph, witness: str, subject: str) -> tuple[str, ...]:
    """Return what ``witness`` and ``subject`` both rest on, nearest to the witness first.

    Empty means independent. A witness that rests on the subject itself shares it.
    """
    common = graph.rests_on(witness) & graph.rests_on(subject)
    return tuple(sorted(common, key=lambda node: (len(graph.way(witness, node)), node)))


def why_dependent(graph: Graph, witness: str, subject: str) -> str | None:
    """Say why ``witness`` does not vouch for ``subject``, or None where it is independent."""
    common = shared(graph, witness, subject)
    if not common:
        return None
    node = common[0]
    way = " -> ".join(graph.way(witness, node))
    other = " -> ".join(graph.way(subject, node))
    if node == subject:
        return f"it rests on what it witnesses ({way})"
    return f"both rest on {node} ({way}; {other})"


def with_edges(graph: Graph, node: str, below: Iterable[str]) -> Graph:
    """Return the graph with ``node`` resting on exactly ``below``: a recalibration at run time."""
    return Graph({**graph.edges, node: frozenset(below)})
