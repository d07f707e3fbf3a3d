"""The engine's shared decode pass: one decode, errors stay with their procedure."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest

from seeworthy.engine.evaluate import Item, evaluate
from seeworthy.ground.errors import CannotMeasure, Fault, UnreadableInput
from seeworthy.ground.results import Outcome
from seeworthy.media.source import Source
from seeworthy.media.write import ClipWriter
from seeworthy.procedures.declare import Inputs, Procedure, Step, Watch


class Counter:
    def __init__(self, fail_at=None, leave_at=None):
        self.seen = []
        self.fail_at = fail_at
        self.leave_at = leave_at
        self.finished = 0

    def begin(self, stage):
        self.stage = stage

    def frame(self, view):
        self.seen.append(view.index)
        if view.index == self.fail_at:
            raise ValueError("inside an observer")
        return view.index != self.leave_at

    def finish(self):
        self.finished += 1


def make(name, observer, conclude=None):
    return Procedure(
        id=name,
        title=name,
        question="?",
        version=1,
        yields=(),
        steps=(Step("film"),),
        prepare=lambda inputs: (Watch(inputs.file(), observer),),
        conclude=conclude or (lambda inputs, seen: Outcome(sentence=name)),
    )


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    path = tmp_path_factory.mktemp("clips") / "plain.mp4"
    with ClipWriter(path, 64, 48) as writer:
        for i in range(12):
            writer.write_luma(np.full((48, 64), 20 + i * 10, np.uint8))
    return Source.of(path)


def items(clip, *procedures):
    return [Item(p, Inputs({"": (clip,)})) for p in procedures]


def test_every_observer_of_a_clip_shares_one_pass(clip, monkeypatch):
    import seeworthy.engine.evaluate as module

    passes = []
    original = module.watch
    monkeypatch.setattr(
        module, "watch", lambda source, *a, **k: passes.append(source) or original(source, *a, **k)
    )
    one, two = Counter(), Counter()
    answers = evaluate(items(clip, make("one", one), make("two", two)))
    assert [a.sentence for a in answers] == ["one", "two"]
    assert passes == [clip]
    assert one.seen == two.seen == list(range(12))
    assert one.finished == two.finished == 1


def test_an_observer_that_fails_costs_its_own_answer_only(clip):
    bad, good = Counter(fail_at=3), Counter()
    answers = evaluate(items(clip, make("bad", bad), make("good", good)))
    assert isinstance(answers[0], Fault)
    assert "inside an observer" in answers[0].message
    assert answers[1].sentence == "good"
    assert bad.seen == [0, 1, 2, 3]
    assert len(good.seen) == 12


def test_an_observer_may_leave_early(clip):
    early, late = Counter(leave_at=4), Counter()
    evaluate(items(clip, make("early", early), make("late", late)))
    assert early.seen == [0, 1, 2, 3, 4]
    assert len(late.seen) == 12


def test_a_refusal_keeps_message_and_hint(clip):
    def refuse(inputs, seen):
        raise CannotMeasure("Nothing moves.", "Film something that passes by.")

    answer = evaluate(items(clip, make("none", Counter(), refuse)))[0]
    assert isinstance(answer, CannotMeasure)
    assert (answer.message, answer.hint) == ("Nothing moves.", "Film something that passes by.")


def test_a_broken_clip_is_told_to_every_procedure_that_wanted_it(tmp_path, clip):
    path = tmp_path / "text.mov"
    path.write_text("this is not a film, it is a text that somebody renamed\n" * 20)
    broken = Source.of(path)
    both = [
        Item(make("one", Counter()), Inputs({"": (broken,)})),
        Item(make("two", Counter()), Inputs({"": (clip,)})),
    ]
    first, second = evaluate(both)
    assert isinstance(first, UnreadableInput)
    assert second.sentence == "two"


def test_progress_counts_to_the_share_done(clip):
    shares = []
    both = items(clip, make("one", Counter()), make("two", Counter()))
    evaluate(both, progress=shares.append)
    assert all(0 <= s <= 1 for s in shares)
    assert shares == sorted(shares)
    # What follows the decoding has a share of its own, procedure by procedure.
    assert shares[-2:] == pytest.approx([0.9, 1.0])
    assert all(s <= 0.8 for s in shares[:-2])


def test_a_reading_without_a_unit_is_told():
    from seeworthy.procedures import procedure
    from seeworthy.procedures.declare import gather

    view = procedure("view")
    typed = {"width": ["74"], "distance": ["60.0 in ± 0.1"], "entrance_offset": ["6 ± 1"]}
    [outcome] = evaluate([Item(view, gather(view, {}, typed))])
    told = [w for w in outcome.warnings if "has no unit" in w]
    assert told == [
        "width='74' has no unit and was taken as m.",
        "entrance_offset='6 ± 1' has no unit and was taken as m.",
    ]


def test_wishes_that_are_alike_share_one_observer_and_its_error(clip):
    from dataclasses import replace

    first, second, own = Counter(fail_at=3), Counter(), Counter()
    needs, may = make("needs", first), make("may", second)
    needs = replace(needs, prepare=lambda i: (Watch(i.file(), first, alike="x", reach=2),))
    may = replace(may, prepare=lambda i: (Watch(i.file(), second, alike="x", optional=True),))
    answers = evaluate(items(clip, needs, may, make("other", own)))
    assert first.seen == [0, 1, 2, 3]
    assert second.seen == []
    assert len(own.seen) == 12
    assert isinstance(answers[0], Fault)
    assert answers[1].sentence == "may"


def test_looking_at_a_clip_loads_no_library_that_only_other_clips_need(clip):
    """A clip of two seconds shall not wait for what targets, fits and filters need."""
    code = (
        "import sys; from seeworthy.engine.measure import look; look(sys.argv[1]);"
        "print([m for m in ('scipy.ndimage', 'scipy.optimize', 'scipy.stats', 'scipy.signal')"
        " if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(clip.path)], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
