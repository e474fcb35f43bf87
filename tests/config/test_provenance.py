"""Independence of witnesses: the provenance graph is walked (M1, M2)."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labref.config.provenance import Graph, shared, why_dependent, with_edges

NODES = st.sampled_from("abcdefgh")
GRAPHS = st.dictionaries(NODES, st.frozensets(NODES, max_size=4)).map(Graph)


def graph(**edges: str) -> Graph:
    return Graph({node: frozenset(below) for node, below in edges.items()})


def test_rests_on_follows_every_edge() -> None:
    assert graph(a="bc", b="d", d="e").rests_on("a") == frozenset("abcde")
    assert graph(a="b").rests_on("x") == frozenset("x")


def test_the_way_is_a_shortest_one() -> None:
    assert graph(a="bc", b="d", c="e", d="f", e="z", f="z").way("a", "z") == ("a", "c", "e", "z")
    assert graph(a="b").way("b", "a") == ()
    assert graph().way("a", "a") == ("a",)


def test_loops() -> None:
    assert graph(a="b", b="c", c="a").loop() == ("a", "b", "c", "a")
    assert graph(a="a").loop() == ("a", "a")
    assert graph(a="bc", b="d", c="d").loop() == ()


def test_why_dependent_names_the_nearest_shared_node() -> None:
    maser = graph(w="c", c="m", l="b", b="m")
    assert why_dependent(maser, "w", "l") == "both rest on m (w -> c -> m; l -> b -> m)"
    assert why_dependent(graph(w="l", l="b"), "w", "l") == "it rests on what it witnesses (w -> l)"
    assert why_dependent(graph(w="c", l="b"), "w", "l") is None


def test_a_recalibration_changes_one_node() -> None:
    before = graph(w="x", l="c")
    assert why_dependent(before, "w", "l") is None
    after = with_edges(before, "w", ["c"])
    assert why_dependent(after, "w", "l") is not None
    assert why_dependent(before, "w", "l") is None


@settings(deadline=None)
@given(GRAPHS, NODES, NODES)
def test_a_way_exists_exactly_where_one_rests_on_the_other(g: Graph, a: str, b: str) -> None:
    way = g.way(a, b)
    assert bool(way) == (b in g.rests_on(a))
    assert all(below in g.edges[above] for above, below in pairwise(way))


@settings(deadline=None)
@given(GRAPHS, NODES, NODES)
def test_sharing_is_mutual(g: Graph, a: str, b: str) -> None:
    assert set(shared(g, a, b)) == set(shared(g, b, a)) == g.rests_on(a) & g.rests_on(b)


@settings(deadline=None)
@given(GRAPHS)
def test_a_loop_is_found_exactly_where_a_node_rests_on_itself(g: Graph) -> None:
    loop = g.loop()
    below = {n: set().union(*(g.rests_on(m) for m in g.edges[n])) for n in g.edges if g.edges[n]}
    assert bool(loop) == any(n in reached for n, reached in below.items())
    if loop:
        assert loop[0] == loop[-1]
        assert all(b in g.edges[a] for a, b in pairwise(loop))


# ---------------------------------------------------------------------------- in a lab file


SHARED = "both rest on {0} (witnesses.coarse -> {0}; lasers.clock -> {1}{0})"


@pytest.mark.parametrize(
    ("standard", "reason"),
    [
        ("main", SHARED.format("combs.main", "")),
        ("combs.main", SHARED.format("combs.main", "")),
        ("clock", "it rests on what it witnesses (witnesses.coarse -> lasers.clock)"),
        ("maser", SHARED.format("references.maser", "channels.beat -> ")),
        ("beat", SHARED.format("channels.beat", "")),
    ],
)
def test_a_wavemeter_calibrated_by_what_it_witnesses(
    problems: Any, standard: str, reason: str
) -> None:
    found = problems(('calibrated_by = "neon lamp"', f'calibrated_by = "{standard}"'))
    assert found == [
        "lab.toml:58: transitions.clock729.witnesses[0]: 'coarse' is no independent witness: "
        f"{reason} (M2)"
    ]


def test_a_wavemeter_calibrated_by_another_laser_of_the_same_comb(
    problems: Any, small_lab: str
) -> None:
    text = small_lab + '[lasers.other]\ncomb = "main"\nn = 5\nbeat = "beat"\n'
    found = problems(('"neon lamp"', '"other"'), text=text)
    assert len(found) == 1
    assert "both rest on channels.beat" in found[0] or "both rest on combs.main" in found[0]


def test_a_wavemeter_calibrated_by_a_line_of_its_own(lab: Any, small_lab: str) -> None:
    text = small_lab + "[lasers.iodine]\nfrequency_hz = 473612353604000\nu_hz = 1e4\n"
    assert lab(('"neon lamp"', '"iodine"'), text=text).warnings == ()


def test_a_misspelt_standard_is_a_warning(warnings: Any) -> None:
    assert warnings(('"neon lamp"', '"masre"')) == [
        "lab.toml:50: witnesses.coarse.calibrated_by: 'masre' is taken as a standard outside this "
        "file: is 'maser' meant?"
    ]


def test_a_witness_of_another_laser(problems: Any, small_lab: str) -> None:
    text = small_lab + "[lasers.other]\nfrequency_hz = 4e14\nu_hz = 1\n"
    found = problems(('laser = "clock"\nchannel', 'laser = "other"\nchannel'), text=text)
    assert found == [
        "lab.toml:58: transitions.clock729.witnesses[0]: 'coarse' is no independent witness: it "
        "watches laser 'other', not 'clock' (M2)"
    ]


SECOND_COMB = """
[channels.f_rep_2]
nominal_hz = 100000000
reference = "REFERENCE"
sigma = 1e-4
[channels.f_ceo_2]
nominal_hz = 20000000
reference = "REFERENCE"
sigma = 1
[channels.beat_2]
nominal_hz = 30000000
reference = "REFERENCE"
sigma = 1
[logs.second]
columns = { f_rep_2 = 1, f_ceo_2 = 2, beat_2 = 3 }
start = "2026-11-24"
[combs.second]
f_rep = "f_rep_2"
f_ceo = "f_ceo_2"
[lasers.clock.paths.second]
comb = "second"
n = 4110420
beat = "beat_2"
"""
BY_SECOND = (
    (
        'channel = "wavemeter"\nwithin = 10e6\ncalibrated_by = "neon lamp"',
        'via = "second"\nwithin = 10e6',
    ),
)


def test_two_combs_on_one_reference_prove_nothing(problems: Any, small_lab: str) -> None:
    text = small_lab + SECOND_COMB.replace("REFERENCE", "maser")
    found = problems(*BY_SECOND, text=text)
    assert len(found) == 1
    assert "'coarse' is no independent witness: both rest on references.maser" in found[0]


def test_a_second_comb_on_a_reference_of_its_own(lab: Any, small_lab: str) -> None:
    text = small_lab + SECOND_COMB.replace("REFERENCE", "other")
    text += "[references.other]\nu = 1e-13\n"
    loaded = lab(*BY_SECOND, text=text)
    witness = loaded.witnesses["coarse"]
    assert witness.channels == ("beat_2", "f_ceo_2", "f_rep_2")
    assert witness.equation is not None
    assert witness.equation.nominal(loaded.channels) == 411042050000000


def test_a_second_comb_on_a_child_of_the_same_root(problems: Any, small_lab: str) -> None:
    text = small_lab + SECOND_COMB.replace("REFERENCE", "other")
    text += '[references.other]\nu = 1e-13\nparent = "maser"\n'
    assert "both rest on references.maser" in problems(*BY_SECOND, text=text)[0]


# ------------------------------------------------------------------- what needs a witness


def asserted(text: str) -> str:
    return text.replace('loop = "free"', 'loop = "in"')


def test_a_directly_counted_free_channel_needs_none(lab: Any, small_lab: str) -> None:
    transition = lab(
        ('comb = "main"\nn = 1644168\nbeat = "beat"', 'channel = "wavemeter"'),
        ("within = 10e6", "within = 10e6"),
        ('witnesses = ["coarse"]', ""),
        ("tolerance_hz = 1e4", "tolerance_hz = 1e8"),
        ('calibrated_by = "neon lamp"', 'calibrated_by = "neon lamp"'),
        text=small_lab,
    ).transitions["clock729"]
    assert transition.witnesses == ()
    assert not transition.asserted
    assert transition.base == "wavemeter"


def test_an_asserted_frequency_needs_one(problems: Any, small_lab: str) -> None:
    # f_rep, f_ceo and the beat are all locked and counted on one reference (M1).
    found = problems(('witnesses = ["coarse"]', ""), text=asserted(small_lab))
    assert found == [
        "lab.toml:52: transitions.clock729: 'witnesses' is missing: every term (beat, f_ceo, "
        "f_rep) is in-loop, set or assumed, so the frequency is only asserted and needs an "
        "independent witness (M1)"
    ]


def test_an_asserted_frequency_with_its_witness(lab: Any, small_lab: str) -> None:
    assert lab(text=asserted(small_lab)).transitions["clock729"].asserted
    assert not lab().transitions["clock729"].asserted


AOM = """
[channels.aom]
nominal_hz = 80e6
reference = "maser"
hold_s = 10
sigma = 0
[logs.synthesizer]
columns = { aom = 1 }
start = "2026-11-24"
"""


def test_a_shifter_that_is_read_back_measures_no_light(lab: Any, small_lab: str) -> None:
    edit = ('{ aom_hz = 80e6, reference = "maser" }', '{ aom = "aom" }')
    assert lab(edit, text=asserted(small_lab) + AOM).transitions["clock729"].asserted
    assert not lab(edit, text=small_lab + AOM).transitions["clock729"].asserted


def test_a_sum_with_an_asserted_laser_is_asserted(lab: Any, small_lab: str) -> None:
    text = small_lab + "[lasers.pump]\nfrequency_hz = 2e14\nu_hz = 100\n"
    transition = lab(
        ('{ aom_hz = 80e6, reference = "maser" }', '{ sum = "pump" }'),
        ("target_hz = 411042130000000", "target_hz = 611042050000000"),
        text=text,
    ).transitions["clock729"]
    assert transition.asserted


LEVEL = """
[channels.rms]
unit = "V"
nominal = 0
[logs.aux]
columns = { rms = 1 }
start = "2026-11-24"
[witnesses.lock]
channel = "rms"
limits = [-1, 1]
"""
EVIDENCE = 'evidence = { found = "2026-11-01", by = "A. Person", method = "wavemeter" }\n'


def test_a_level_cannot_vouch_for_undated_integers(problems: Any, small_lab: str) -> None:
    text = asserted(small_lab) + LEVEL
    found = problems(('witnesses = ["coarse"]', 'witnesses = ["lock"]'), text=text)
    assert found == [
        "lab.toml:58: transitions.clock729.witnesses: levels cannot vouch for "
        "combs.main.f_ceo_sign, lasers.clock.n, lasers.clock.sign: a witness of kind "
        '"frequency", or dated evidence for it, is needed (M19)'
    ]


def test_a_level_vouches_for_the_lock_of_dated_integers(lab: Any, small_lab: str) -> None:
    text = asserted(small_lab) + LEVEL
    loaded = lab(
        ('witnesses = ["coarse"]', 'witnesses = ["lock"]'),
        ("n = 1644168\n", "n = 1644168\n" + EVIDENCE),
        ('f_ceo = "f_ceo"\n', 'f_ceo = "f_ceo"\n' + EVIDENCE),
        text=text,
    )
    assert [w.name for w in loaded.transitions["clock729"].witnesses] == ["lock"]
    integer = loaded.integers["lasers.clock.n"]
    assert integer.is_confirmed
    assert (integer.value, integer.by, integer.evidence) == (1644168, "A. Person", "wavemeter")
    assert [w.what for w in loaded.warnings] == ["no transition or reference names it"]


def test_a_level_that_is_part_of_what_it_witnesses(problems: Any, small_lab: str) -> None:
    text = small_lab + '[witnesses.lock]\nchannel = "beat"\nlimits = [-1, 1]\n'
    found = problems(('["coarse"]', '["coarse", "lock"]'), text=text)
    assert len(found) == 1
    assert found[0].endswith(
        "'lock' is no independent witness: its channel 'beat' is itself part of what it "
        "witnesses (M2)"
    )


def test_what_a_reference_needs_is_needed_by_all_that_rests_on_it(lab: Any, small_lab: str) -> None:
    text = small_lab + LEVEL
    loaded = lab(("u = 1e-13", 'u = 1e-13\nneeds = ["lock"]'), text=text)
    assert [need.name for need in loaded.transitions["clock729"].needs] == ["lock"]
    both = lab(
        ("u = 1e-13", 'u = 1e-13\nneeds = ["lock"]'),
        ('["coarse"]', '["coarse"]\nneeds = ["lock"]'),
        text=text,
    )
    assert [need.name for need in both.transitions["clock729"].needs] == ["lock"]


def test_what_a_channel_needs_is_needed_by_all_that_it_enters(
    lab: Any, problems: Any, small_lab: str
) -> None:
    # The lock indicator of a tracking oscillator in front of the counter (M9).
    text = small_lab + LEVEL
    edit = ("nominal_hz = 30000000\n", 'nominal_hz = 30000000\nneeds = ["lock"]\n')
    assert [n.name for n in lab(edit, text=text).transitions["clock729"].needs] == ["lock"]
    wrong = (edit[0], edit[1].replace("lock", "coarse"))
    assert problems(wrong) == [
        "lab.toml:23: channels.beat.needs[0]: 'coarse' is no witness of kind \"level\""
    ]
