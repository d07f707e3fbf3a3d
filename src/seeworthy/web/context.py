"""What the page templates see: documented frozen dataclasses, one per template.

A test compares the fields named here with those that the templates use, both ways.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import ClassVar

from seeworthy.bench.records import Camera, Take
from seeworthy.bench.summary import Glance
from seeworthy.publish.views import ClaimLine, ResultLine


@dataclass(frozen=True, slots=True)
class TroubleLine:
    """An error in words.

    Attributes:
        message, hint: What is wrong, what to do.
        status: Of the answer.
        fragment: Only a part of a page is asked for.
    """

    template: ClassVar[str] = "trouble.html"
    title: ClassVar[str] = "That did not work"
    message: str
    hint: str
    status: int
    fragment: bool = False


@dataclass(frozen=True, slots=True)
class SurePage:
    """The question before something goes for good.

    Attributes:
        words: What goes, and what stays.
        button: str
        action, back: Addresses of the deed and of the page before it.
        typed: sequence of (field, value). The form, to be sent again.
    """

    template: ClassVar[str] = "sure.html"
    title: ClassVar[str] = "Are you sure?"
    words: str
    button: str
    action: str
    back: str
    typed: Sequence[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class Start:
    """The first page where there is no bench yet, or an empty one.

    Attributes:
        folder: Where the bench is, or would be made.
        made: There is a bench, without a camera.
        demo: What the demo is doing, ``""`` when it was not asked for.
        demo_failed: str
        may_demo: The demo can be built from here.
    """

    template: ClassVar[str] = "start.html"
    title: ClassVar[str] = "A new bench"
    folder: str
    made: bool
    demo: str = ""
    demo_failed: str = ""
    may_demo: bool = True


@dataclass(frozen=True, slots=True)
class Telling:
    """What the first page tells of a camera: its verdict, a picture, best and worst.

    Attributes:
        verdict: str
        picture: ShotRow or None
        fits: (words, rest): what it is good and bad for, or how it stands for the purpose that was
            looked at last.
        best, worst: Figures in which it is told apart as the first or the last of the bench.
    """

    verdict: str
    picture: ShotRow | None
    fits: Sequence[tuple[str, str]] = ()
    best: Sequence[str] = ()
    worst: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class Home:
    """The first page: where every camera stands.

    Attributes:
        glance: Glance
        procedures: mapping of id to title
        due: Takes that a run would measure.
        tellings: mapping of a camera's number to Telling
    """

    template: ClassVar[str] = "home.html"
    title: ClassVar[str] = "Watch log"
    glance: Glance
    procedures: Mapping[str, str]
    due: int
    tellings: Mapping[int, Telling] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class FigureRows:
    """The figures of one procedure on a camera's page.

    Attributes:
        procedure, title: str
        sentence: What the newest take says.
        rows: sequence of ResultLine
    """

    procedure: str
    title: str
    sentence: str
    rows: Sequence[ResultLine]


@dataclass(frozen=True, slots=True)
class ShotRow:
    """An evidence picture on a page: address and caption."""

    address: str
    caption: str


@dataclass(frozen=True, slots=True)
class CameraPage:
    """One camera: claims against figures, results, takes, pictures, flights, firmware, units.

    Attributes:
        camera: Camera
        verdict: str
        claims: sequence of ClaimLine
        versions: mapping of claim subject to its version
        silent: Titles of what is measured without a claim.
        results: sequence of FigureRows
        takes: sequence of Take
        flights: Takes of a flight's log.
        pictures: sequence of ShotRow
        subjects: (heading, sequence of (id, title, unit)): what a claim can speak of.
        customary: bool
        tolerance: str
    """

    template: ClassVar[str] = "camera.html"
    camera: Camera
    verdict: str
    claims: Sequence[ClaimLine]
    versions: Mapping[str, int]
    silent: Sequence[str]
    results: Sequence[FigureRows]
    takes: Sequence[Take]
    flights: Sequence[Take]
    pictures: Sequence[ShotRow]
    subjects: Sequence[tuple[str, Sequence[tuple[str, str, str]]]]
    customary: bool
    tolerance: str

    @property
    def title(self) -> str:
        """Name of the camera."""
        return self.camera.name


@dataclass(frozen=True, slots=True)
class PickedClaim:
    """One claim picked out of a listing, for the user to confirm.

    Attributes:
        number: int
        subject, heading: str
        text: As it would be typed.
        found: The words of the listing.
        line: int
        remark: str
        before: What the bench holds and this would replace; ``""`` when nothing.
    """

    number: int
    subject: str
    heading: str
    text: str
    found: str
    line: int
    remark: str
    before: str = ""


@dataclass(frozen=True, slots=True)
class ListingPage:
    """What was picked out of a pasted listing.

    Attributes:
        camera: Camera
        source: str
        picked: sequence of PickedClaim
        left: sequence of (line, words). Phrases with a number for which there is no rule.
        prose: sequence of (line, words). Phrases without a figure.
        frames: sequence of (width, height). Picture sizes as the listing pairs them.
    """

    template: ClassVar[str] = "listing.html"
    title: ClassVar[str] = "Confirm the claims"
    camera: Camera
    source: str
    picked: Sequence[PickedClaim]
    left: Sequence[tuple[int, str]]
    prose: Sequence[tuple[int, str]] = ()
    frames: Sequence[tuple[str, str]] = ()


@dataclass(frozen=True, slots=True)
class Waiting:
    """What is shown while a page is worked out for the first time since the bench changed.

    Attributes:
        heading: Of the page that is awaited.
        words: What is being done, a sentence.
        over: (address, words) of the page above it; ``()`` for none.
    """

    template: ClassVar[str] = "waiting.html"
    title: ClassVar[str] = "Being worked out"
    heading: str
    words: str
    over: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ReportsPage:
    """Reports to read and to take away.

    Attributes:
        cameras: sequence of (id, name, takes)
    """

    template: ClassVar[str] = "reports.html"
    title: ClassVar[str] = "Reports"
    cameras: Sequence[tuple[int, str, int]]


@dataclass(frozen=True, slots=True)
class TargetsPage:
    """Targets to print, and the clock.

    Attributes:
        targets: sequence of (name, title, use)
        papers: sequence of str
        clock: Address of the clock page, ``""`` where there is none.
    """

    template: ClassVar[str] = "targets.html"
    title: ClassVar[str] = "Targets"
    targets: Sequence[tuple[str, str, str]]
    papers: Sequence[str]
    clock: str = ""


@dataclass(frozen=True, slots=True)
class GuestLine:
    """One open session of another machine: number, who, and times in words."""

    number: int
    who: str
    begun: str
    seen: str
    ends: str


@dataclass(frozen=True, slots=True)
class SettingsPage:
    """Settings, backup and restore.

    Attributes:
        groups: sequence of (name, words, choices). Choices are (value, words, chosen).
        folder: str
        size: Of the evidence, in words.
        saved: bool
        local: The visitor sits at the machine that keeps the bench.
        shared: Other machines may come in.
        guests: sequence of GuestLine
    """

    template: ClassVar[str] = "settings.html"
    title: ClassVar[str] = "Settings"
    groups: Sequence[tuple[str, str, Sequence[tuple[str, str, bool]]]]
    folder: str
    size: str
    saved: bool = False
    local: bool = True
    shared: bool = False
    guests: Sequence[GuestLine] = ()


@dataclass(frozen=True, slots=True)
class RestoredPage:
    """A backup was unpacked.

    Attributes:
        folder: str
        files: int
        troubles: sequence of str
    """

    template: ClassVar[str] = "restored.html"
    title: ClassVar[str] = "Restored"
    folder: str
    files: int
    troubles: Sequence[str] = field(default_factory=tuple)
