"""Mode numbers and signs as records with their evidence (M17 to M19)."""

from __future__ import annotations

from labref.config.draft import Draft
from labref.config.optics import CombTable, Evidence, PathTable
from labref.model.exact import exact_text
from labref.model.integer import Integer
from labref.model.times import parse_iso


def path_integers(draft: Draft, node: str, table: PathTable) -> tuple[str, ...]:
    """Records of one way to a laser's frequency: mode number and sign of its beat."""
    names = []
    if table.n is not None:
        names.append(draft.integer(integer_record(f"{node}.n", table.n, table.evidence)))
    if table.mode is not None:
        names.append(draft.integer(integer_record(f"{node}.mode", table.mode, table.evidence)))
    if table.beat is not None:
        sign = 1 if table.sign == "+" else -1
        names.append(draft.integer(integer_record(f"{node}.sign", sign, table.evidence)))
    return tuple(names)


def comb_integers(draft: Draft, name: str, table: CombTable) -> tuple[str, ...]:
    """Records of a comb: sign of f_ceo; on an optical reference also the tooth that follows it."""
    node = f"combs.{name}"
    names = []
    if table.f_ceo is not None:
        sign = 1 if table.f_ceo_sign == "+" else -1
        names.append(draft.integer(integer_record(f"{node}.f_ceo_sign", sign, table.evidence)))
    if table.n_ref is not None:
        sign = 1 if table.beat_ref_sign == "+" else -1
        names.append(draft.integer(integer_record(f"{node}.n_ref", table.n_ref, table.evidence)))
        names.append(draft.integer(integer_record(f"{node}.beat_ref_sign", sign, table.evidence)))
    return tuple(names)


def integer_record(name: str, value: int, evidence: Evidence | None) -> Integer:
    """Return the record of a mode number or sign; undated where no evidence is given."""
    if evidence is None:
        return Integer(name, value)
    return Integer(
        name,
        value,
        evidence=evidence.method,
        k=float(evidence.k),
        found_ns=parse_iso(evidence.found),
        f_rep_hz=None if evidence.f_rep_hz is None else exact_text(evidence.f_rep_hz),
        by=evidence.by,
        margin_hz=None if evidence.margin_hz is None else float(evidence.margin_hz),
    )
