"""The handout on paper: a lesson as PDF, drawn with lines and letters, its fonts inside.

It tells what the HTML handout tells. The lines of the tab, the chords and the neck are the page's
own drawings (`transcribe.lesson.page_drawing`); reportlab puts them on pages, and no line of the
tab goes over the end of one.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from functools import cache
from html import escape
from typing import TYPE_CHECKING, Any, Literal

from transcribe.core.errors import ParameterError
from transcribe.core.lesson import Lesson
from transcribe.core.riff import Riff
from transcribe.lesson.handout_content import (
    CARE,
    NECK_KEY,
    PLAN_WORDS,
    TAKE_NOTES,
    TAKE_PRACTICE,
    WHOLE,
    cautions_of,
    form_steps,
    neck_of_all,
    part_data,
    part_facts,
    practice_tempi,
    printed,
    shown_parts,
    stands_alone,
    title_of,
    whole_data,
    whole_of,
    whole_words,
)
from transcribe.lesson.page_drawing import (
    BOLD,
    ITALIC,
    REGULAR,
    DrawnLesson,
    draw_lesson,
    with_boxes,
)
from transcribe.lesson.take_on_sheet import Checks, SheetTake, takes_on_sheet

if TYPE_CHECKING:
    from theory import Piece

__all__ = ["PAPERS", "Paper", "handout_pdf"]

Paper = Literal["a4", "letter"]
PAPERS: tuple[Paper, ...] = ("a4", "letter")
"""What a handout can be printed on."""

_MM = 72 / 25.4  # points
_SIZES_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
_SIDE_MM, _TOP_MM, _FOOT_MM = 15.0, 12.0, 15.0
_SMALLER = 0.81  # than the sheet, which prints the same drawing larger (by eye)
_GRIP = 0.9  # of the size on the page (by eye)
_GRIPS = 7  # in a row
_FOOT_SIGNS = 70  # of the title, at the foot of each page
_FRAME = 6  # points that reportlab leaves free within its margins
_TOGETHER_MM = 130.0  # of what stays on one page; half of one, so that no large hole is left
_ANY = 1e6  # points of height, more than anything has
_PLAN_MM = 75.0  # of the width, beside the name of a part
_SOFT = "#333333"
_BARE = (
    ("FONTNAME", (0, 0), (-1, -1), REGULAR),
    ("VALIGN", (0, 0), (-1, -1), "TOP"),
    ("LEFTPADDING", (0, 0), (-1, -1), 0),
    ("RIGHTPADDING", (0, 0), (-1, -1), 0),
    ("TOPPADDING", (0, 0), (-1, -1), 1),
    ("BOTTOMPADDING", (0, 0), (-1, -1), 0),
)


def handout_pdf(
    lesson: Lesson,
    riffs: Sequence[Riff],
    *,
    fingers: bool = False,
    paper: Paper = "a4",
    checks: Checks = (),
    say: Callable[[str], None] | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> bytes:
    """The bytes of a PDF for a lesson; ``riffs`` are the whole riffs of its parts, in order.

    Parameters
    ----------
    lesson : Lesson
    riffs : sequence of Riff
    fingers : bool
        Whether the fretting finger stands at each note.
    paper : {"a4", "letter"}
    checks : sequence of mapping or None, optional
        The last comparison of a take with each part, as it is kept beside its riff.
    say : callable, optional
        Called with a sentence about signs that the font does not have.
    progress : callable, optional
        Called with the stage and its share.

    Raises
    ------
    ParameterError
        If the lesson has no parts or one of them no notes in its bars, if there is no such paper,
        or if what draws a PDF is not installed.
    """
    if paper not in PAPERS:
        raise ParameterError(f"paper={paper!r}; it must be one of {', '.join(PAPERS)}")
    shown = shown_parts(lesson, riffs)
    whole = whole_of(lesson, shown)
    width_mm = _SIZES_MM[paper][0] - 2 * _SIDE_MM
    takes = takes_on_sheet(checks, lesson, riffs)
    drawn = draw_lesson(
        [
            part_data(part, riff, take)
            for part, riff, take in zip(lesson.parts, shown, takes, strict=True)
        ],
        whole=whole_data(whole),
        width_mm=width_mm / _SMALLER,
        fingers=fingers,
        progress=progress,
    )
    page = _Page(drawn, width_mm * _MM)
    page.write(lesson, shown, whole, takes)
    if page.unshown and say is not None:
        say(
            f"the font of the PDF does not have {' '.join(page.unshown)}, which stand as □; write "
            "them in other letters, or take the HTML handout"
        )
    title = title_of(lesson)
    return _file(page.story, title, page.shown(title), paper)


class _Page:
    """What stands on the pages, one thing after the other, in `story`."""

    def __init__(self, drawn: DrawnLesson, width: float) -> None:
        from reportlab.lib.styles import ParagraphStyle

        self.drawn = drawn
        self.width = width
        self.story: list[Any] = []
        self.unshown = dict.fromkeys(drawn.unshown)
        plain = ParagraphStyle("plain", fontName=REGULAR, fontSize=9, leading=11.5, spaceAfter=2)

        def style(name: str, **given: Any) -> ParagraphStyle:
            return ParagraphStyle(name, parent=plain, **given)

        self.styles = {
            "title": style("title", fontName=BOLD, fontSize=18, leading=22, spaceAfter=3),
            "head": style("head", fontName=BOLD, fontSize=12.5, leading=15, spaceBefore=9),
            "facts": style("facts", textColor=_SOFT),
            "words": style("words", fontName=ITALIC, leftIndent=10, fontSize=9.5),
            "plain": plain,
            "item": style("item", leftIndent=8, firstLineIndent=-8, spaceAfter=0),
            "form": style("form", fontSize=10.5, leading=14),
            "hint": style("hint", fontSize=8, leading=10, textColor=_SOFT),
            "plan": style("plan", alignment=2),
            "label": style("label", fontSize=9, spaceAfter=0),
            "under": style("under", fontSize=9, leading=10, alignment=1, spaceAfter=0),
        }

    def write(
        self,
        lesson: Lesson,
        riffs: Sequence[Riff],
        whole: Piece | None,
        takes: Sequence[SheetTake | None],
    ) -> None:
        self.text("title", title_of(lesson))
        neck = neck_of_all(riffs)
        if neck:
            self.text("facts", neck)
        anchors = {part.label: number for number, part in enumerate(lesson.parts, start=1)}
        if lesson.form:
            steps = ", ".join(
                f'<a href="#part-{anchors[part.label]}">{self.told(part.shown_name)}</a>'
                + (f" ×{times}" if times > 1 else "")
                for part, times in form_steps(lesson)
            )
            self.markup("form", f"Form: {steps}")
        self.text("hint", PLAN_WORDS)
        for part, riff, drawn, take in zip(
            lesson.parts, riffs, self.drawn.parts, takes, strict=True
        ):
            key = f"part-{anchors[part.label]}"
            facts = part_facts(part, riff, neck=not neck, mode=whole is None)
            rest = [] if stands_alone(lesson) else [self.paragraph("facts", self.told(facts))]
            shown = facts if stands_alone(lesson) else part.shown_name
            style = "facts" if stands_alone(lesson) else "head"
            head = self.heading(part.shown_name, style=style, shown=shown, key=key)
            lines = [_scaled(system, self.width / system.width) for system in drawn.systems]
            signs = [self.paragraph("hint", self.told(drawn.signs))] if drawn.signs else []
            self.together(
                self.head(head, practice_tempi(part, riff)),
                *rest,
                *(
                    self.paragraph("words", self.told(words))
                    for words in part.note.splitlines()
                    if words.strip()
                ),
                *(
                    self.paragraph("facts", f"<b>Take care:</b> {self.told(words)}")
                    for words in cautions_of(riff)
                ),
                *self.take_head(take),
                *(lines[:1] if len(lines) > 1 else [*lines, *signs]),
            )
            self.story += lines[1:-1]
            if len(lines) > 1:
                self.together(lines[-1], *signs)
            if take is not None and take.notes:
                first, *others = self.items(take.notes)
                self.together(self.paragraph("label", f"<b>{TAKE_NOTES}</b>"), first)
                self.story += others
        if whole is not None:
            said, lines = whole_words(whole)
            self.together(
                self.heading(WHOLE),
                self.paragraph("plain", self.told(said)),
                *(self.paragraph("item", f"– {self.told(line)}") for line in lines),
            )
        self.grips()
        self.scales()
        self.text("hint", CARE)

    def take_head(self, take: SheetTake | None) -> list[Any]:
        """What a take shows of the whole, and what to practise."""
        if take is None:
            return []
        told = [
            self.paragraph("plain", f"<b>{self.told(take.head)}</b>"),
            self.paragraph("plain", self.told(printed(" ".join(take.says)))),
        ]
        if take.practice:
            told.append(self.paragraph("label", f"<b>{TAKE_PRACTICE}</b>"))
        for number, (place, steps) in enumerate(take.practice, start=1):
            told.append(self.paragraph("item", f"{number}. <b>{self.told(place)}</b>"))
            told += self.items(steps)
        return told

    def items(self, lines: Sequence[str]) -> list[Any]:
        return [self.paragraph("item", f"– {self.told(printed(line))}") for line in lines]

    def shown(self, text: str) -> str:
        """``text`` with □ for what the font does not have."""
        shown, missing = with_boxes(text)
        self.unshown.update(dict.fromkeys(missing))
        return shown

    def told(self, text: str) -> str:
        """``text`` for a paragraph."""
        return escape(self.shown(text))

    def text(self, style: str, text: str) -> None:
        self.markup(style, self.told(text))

    def markup(self, style: str, markup: str) -> None:
        self.story.append(self.paragraph(style, markup))

    def paragraph(self, style: str, markup: str) -> Any:
        from reportlab.platypus import Paragraph

        return Paragraph(markup, self.styles[style])

    def heading(self, name: str, *, style: str = "head", shown: str = "", key: str = "") -> Any:
        """A heading that the outline of the PDF calls ``name`` and leads to."""
        return _heading_type()(
            self.told(shown or name), self.styles[style], name=name, key=key or name
        )

    def together(self, *things: Any) -> None:
        """Put things on the page so that no page ends between them, where one can hold them."""
        from reportlab.platypus import CondPageBreak

        need = sum(
            thing.getSpaceBefore() + thing.wrap(self.width, _ANY)[1] + thing.getSpaceAfter()
            for thing in things
        )
        self.story += [CondPageBreak(min(need, _TOGETHER_MM * _MM)), *things]

    def head(self, left: Any, tempi: Sequence[int]) -> Any:
        """The name of a part and, at the right, the tempi to practise it at, each with a box."""
        from reportlab.platypus import Table

        steps = " ".join(f"□\u00a0{tempo}" for tempo in tempi)
        plan = self.paragraph("plan", f"Practise at {steps} bpm" if tempi else "")
        widths = [self.width - _PLAN_MM * _MM, _PLAN_MM * _MM]
        table = Table([[left, plan]], colWidths=widths, spaceBefore=9)
        table.setStyle([*_BARE, ("VALIGN", (0, 0), (-1, -1), "BOTTOM")])
        return table

    def grips(self) -> None:
        if not self.drawn.grips:
            return
        cells = []
        for grip in self.drawn.grips:
            words = self.told(grip.name)
            if grip.as_played:
                words += (
                    f"<br/><font size=7>the {self.told(grip.as_played)} shape at the capo</font>"
                )
            if grip.heavier:
                words += "<br/><font size=7>heavier</font>"
            if grip.wide:
                words += "<br/><font size=7>Take care: wide stretch</font>"
            cells.append([_scaled(grip.drawing, _GRIP), self.paragraph("under", words)])
        self.together(self.heading("Chords"), self.rows(cells, _GRIPS))

    def scales(self) -> None:
        if not self.drawn.scales:
            return
        wide = self.width / 2 - 2 * _MM
        cells = [
            [
                self.paragraph("label", self.told(scale.label)),
                _scaled(scale.drawing, wide / scale.drawing.width),
            ]
            for scale in self.drawn.scales
        ]
        self.together(
            self.heading("On the neck"),
            self.paragraph("hint", NECK_KEY),
            self.rows(cells, 2),
        )

    def rows(self, cells: list[list[Any]], across: int) -> Any:
        """Pictures with their words, so many beside each other; no row goes over a page."""
        from reportlab.platypus import Table

        rows = [cells[k : k + across] for k in range(0, len(cells), across)]
        rows[-1] += [[] for _ in range(across - len(rows[-1]))]
        table = Table(rows, colWidths=[self.width / across] * across)
        table.setStyle([*_BARE, ("BOTTOMPADDING", (0, 0), (-1, -1), 4)])
        return table


@cache
def _heading_type() -> Any:
    from reportlab.platypus import Paragraph

    class Heading(Paragraph):
        def __init__(self, markup: str, style: Any, *, name: str, key: str) -> None:
            super().__init__(markup, style)
            self.name, self.key = name, key

        def draw(self) -> None:
            self.canv.bookmarkHorizontal(self.key, 0, self.height)
            self.canv.addOutlineEntry(self.name, self.key)
            super().draw()

    return Heading


def _scaled(drawing: Any, factor: float) -> Any:
    drawing.initialFontName = REGULAR  # else every page names a font that it does not bring
    drawing.scale(factor, factor)
    drawing.width *= factor
    drawing.height *= factor
    return drawing


def _short(title: str) -> str:
    """A title that has room at the foot of a page."""
    return title if len(title) <= _FOOT_SIGNS else f"{title[: _FOOT_SIGNS - 1].rstrip()}…"


def _file(story: list[Any], title: str, foot: str, paper: Paper) -> bytes:
    """The pages, each with ``foot`` and its number under it."""
    from reportlab.pdfgen.canvas import Canvas
    from reportlab.platypus import SimpleDocTemplate

    width, height = (mm * _MM for mm in _SIZES_MM[paper])

    class Numbered(Canvas):
        """A canvas that keeps its pages until it knows how many there are."""

        def __init__(self, *args: Any, **given: Any) -> None:
            super().__init__(*args, **{**given, "initialFontName": REGULAR})
            self.kept: list[dict[str, Any]] = []

        def showPage(self) -> None:
            self.kept.append(dict(self.__dict__))
            self._doc.pageCounter += 1  # by which what leads to a page names it
            self._startPage()

        def save(self) -> None:
            kept = self.kept
            self._doc.pageCounter = 1
            for number, state in enumerate(kept, start=1):
                self.__dict__.update(state)
                self.setFont(REGULAR, 8)
                under = f"{_short(foot)} · {number} of {len(kept)}"
                self.drawCentredString(width / 2, 8 * _MM, under)
                super().showPage()
            super().save()

    made = io.BytesIO()
    document = SimpleDocTemplate(
        made,
        pagesize=(width, height),
        leftMargin=_SIDE_MM * _MM - _FRAME,
        rightMargin=_SIDE_MM * _MM - _FRAME,
        topMargin=_TOP_MM * _MM - _FRAME,
        bottomMargin=_FOOT_MM * _MM - _FRAME,
        title=title,
        author="",
        subject="Guitar tab to practise from",
        creator="Handspan",
        lang="en",
        displayDocTitle=1,
        invariant=1,
    )
    document.build(story, canvasmaker=Numbered)
    return made.getvalue()
