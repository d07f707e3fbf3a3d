"""Parts of a clip: where it begins and ends, and passes that seek."""

from __future__ import annotations

from fractions import Fraction

import av
import numpy as np
import pytest

from seeworthy.engine.evaluate import Item, evaluate
from seeworthy.ground.results import Outcome
from seeworthy.media.frames import Part, watch
from seeworthy.media.opening import open_clip, video_stream
from seeworthy.media.parts import extent
from seeworthy.media.source import Source
from seeworthy.media.write import ClipWriter
from seeworthy.procedures.declare import Inputs, Procedure, Step, Watch

HEAD, TAIL = Part(0.0, 0.5), Part(-0.5, 0.5)


class Levels:
    """Keep stamp and grey level of every frame shown."""

    def __init__(self, leave_after: int | None = None) -> None:
        self.seen: list[tuple[float, int]] = []
        self.leave_after = leave_after
        self.finished = 0

    def begin(self, stage):
        self.stage = stage

    def frame(self, view):
        self.seen.append((view.seconds, round(float(view.luma.mean()))))
        return len(self.seen) != self.leave_after

    def finish(self):
        self.finished += 1


def film(path, frames=100, b_frames="0", rate=30):
    """Frame i has the grey level 20 + 2 i; a key frame every 24 frames."""
    options = {"g": "24", "bf": b_frames, "keyint_min": "24", "sc_threshold": "0", "crf": "10"}
    with ClipWriter(path, 64, 48, rate, bit_rate=None, options=options) as writer:
        for i in range(frames):
            writer.write_luma(np.full((48, 64), 20 + 2 * i, np.uint8))
    return Source.of(path)


KINDS = [("a.mp4", "0"), ("b.mp4", "2"), ("c.mov", "2"), ("d.mkv", "0")]


@pytest.fixture(scope="module", params=KINDS, ids=lambda k: f"{k[0][2:]}-bf{k[1]}")
def clip(request, tmp_path_factory):
    name, b_frames = request.param
    return film(tmp_path_factory.mktemp("parts") / name, b_frames=b_frames)


def test_the_extent_is_that_of_the_frames_filmed(clip):
    with open_clip(clip) as container:
        whole = extent(container, video_stream(container, clip))
    assert float(whole.last - whole.first) == pytest.approx(99 / 30, abs=2e-3)
    assert float(whole.seconds) == pytest.approx(100 / 30, abs=2e-3)


def test_head_and_tail_are_shown_and_nothing_else(clip):
    head, tail = Levels(), Levels()
    summary = watch(clip, [head, tail], parts=[[HEAD], [TAIL]])
    assert [g for _, g in head.seen] == pytest.approx([20 + 2 * i for i in range(15)], abs=1)
    assert [g for _, g in tail.seen] == pytest.approx([20 + 2 * i for i in range(85, 100)], abs=1)
    first = head.seen[0][0]
    assert tail.seen[-1][0] - first == pytest.approx(99 / 30, abs=2e-3)
    assert summary.stopped
    assert summary.warnings == []
    assert head.finished == tail.finished == 1


def test_seeking_decodes_a_few_groups_only(clip, monkeypatch):
    decoded = []
    import seeworthy.media.parts as module

    original = module.decoded

    def counting(*arguments):
        for item in original(*arguments):
            decoded.append(item)
            yield item

    monkeypatch.setattr(module, "decoded", counting)
    watch(clip, [Levels()], parts=[[TAIL]])
    assert len(decoded) <= 15 + 24 + 5


def test_parts_beside_an_observer_of_the_whole_clip_share_its_pass(clip):
    part, whole = Levels(), Levels()
    watch(clip, [part, whole], parts=[[TAIL], []])
    assert len(whole.seen) == 100
    assert part.seen == whole.seen[85:]


def test_an_observer_may_leave_early_and_parts_may_overlap(clip):
    early, late = Levels(leave_after=3), Levels()
    watch(clip, [early, late], parts=[[HEAD], [Part(0.2, 0.5), Part(0.5, 0.5)]])
    assert len(early.seen) == 3
    assert [g for _, g in late.seen] == pytest.approx([20 + 2 * i for i in range(6, 30)], abs=1)


def test_a_part_longer_than_the_clip_is_the_whole_clip(tmp_path):
    source = film(tmp_path / "short.mp4", frames=10)
    seen = Levels()
    watch(source, [seen], parts=[[Part(-5.0, 5.0)]])
    assert len(seen.seen) == 10


def test_a_bare_stream_without_stamps_is_shown_whole(tmp_path):
    """No container, no stamps, nothing to seek by."""
    film(tmp_path / "a.mp4", frames=40)
    bare = tmp_path / "a.h264"
    with av.open(str(tmp_path / "a.mp4")) as clip, av.open(str(bare), "w", format="h264") as out:
        stream = out.add_stream_from_template(clip.streams.video[0])
        for packet in clip.demux(video=0):
            if packet.size:
                packet.stream = stream
                out.mux(packet)
    seen = Levels()
    watch(Source.of(bare), [seen], parts=[[HEAD]])
    assert len(seen.seen) == 40


def test_an_avi_is_cut_to_a_frame_or_two(tmp_path):
    """Its stamps are counted frames; the decoder's delay shows in them."""
    tail = Levels()
    watch(film(tmp_path / "e.avi"), [tail], parts=[[TAIL]])
    assert [g for _, g in tail.seen] == pytest.approx(
        [20 + 2 * i for i in range(100 - len(tail.seen), 100)], abs=1
    )
    assert 13 <= len(tail.seen) <= 17


def test_the_engine_hands_the_parts_on(tmp_path):
    source = film(tmp_path / "a.mp4")

    def procedure(name, observer, *parts):
        return Procedure(
            id=name, title=name, question="?", version=1, yields=(), steps=(Step("Film."),),
            prepare=lambda inputs: (Watch(inputs.file(), observer, parts),),
            conclude=lambda inputs, seen: Outcome(sentence=str(len(observer.seen))),
        )  # fmt: skip

    inputs = Inputs({"": (source,)})
    one, two = procedure("one", Levels(), HEAD), procedure("two", Levels())
    assert [o.sentence for o in evaluate([Item(one, inputs), Item(two, inputs)])] == ["15", "100"]
    alone = procedure("one", Levels(), TAIL)
    assert alone.run(inputs).sentence == "15"
    assert [o.sentence for o in evaluate([Item(alone, inputs)])] == ["30"]  # its observer was used


def test_stamps_that_do_not_begin_at_zero(tmp_path):
    path = tmp_path / "late.mp4"
    with ClipWriter(path, 64, 48, 30) as writer:
        for i in range(60):
            writer.write_luma(np.full((48, 64), 20 + 2 * i, np.uint8), 7.0 + i / 30)
    source = Source.of(path)
    with open_clip(source) as container:
        whole = extent(container, video_stream(container, source))
    assert abs(whole.seconds - 2) < Fraction(1, 1000)
    assert whole.first == 7
    seen = Levels()
    watch(source, [seen], parts=[[TAIL]])
    assert len(seen.seen) == 15
