"""What the page would draw of a lesson, without a browser: as drawings for a PDF.

The page's own scripts run in an embedded JavaScript engine (dukpy) and hand back SVG; svglib makes
drawings of it by the page's own style, in the font of the handout. Both are in the extra
``handspan[pdf]``.
"""

from __future__ import annotations

import copy
import io
import json
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from transcribe.core.errors import ParameterError
from transcribe.lesson.one_script import read_static, script_of

__all__ = [
    "BOLD",
    "ITALIC",
    "REGULAR",
    "DrawnLesson",
    "DrawnPart",
    "Grip",
    "Scale",
    "draw_lesson",
    "lesson_svg",
    "with_boxes",
]

Progress = Callable[[str, float], None]

REGULAR = "DejaVuSansCondensed"
BOLD = f"{REGULAR}-Bold"
ITALIC = f"{REGULAR}-Oblique"
"""The fonts of a handout on paper, by the names that reportlab knows them by once it is drawn."""

_FAMILY = "Handout"  # what the style calls them
_FONTS = (
    (REGULAR, "normal", "normal"),
    (BOLD, "bold", "normal"),
    (ITALIC, "normal", "italic"),
    (BOLD, "bold", "italic"),
)
_DRAWN = ("sheet-page", "chord-box", "neck", "spot")
_RULE = re.compile(r"^([^@{}\n]+)\{([^}]*)\}$", re.MULTILINE)
_OUTLINE = 1  # the text render mode of PDF that strokes letters


@dataclass(frozen=True)
class DrawnPart:
    """The lines of one part's tab, and its signs explained."""

    systems: tuple[Any, ...]
    signs: str


@dataclass(frozen=True)
class Grip:
    """A chord as a picture; ``as_played`` is its shape at the capo, ``wide`` if it stretches.

    ``heavier`` says whether it stands in the place of an easier one.
    """

    name: str
    as_played: str
    wide: bool
    heavier: bool
    drawing: Any


@dataclass(frozen=True)
class Scale:
    """A mode on the neck."""

    label: str
    drawing: Any


@dataclass(frozen=True)
class DrawnLesson:
    """Drawings are `reportlab.graphics.shapes.Drawing`, in points.

    ``unshown`` are the signs that the font does not have, for which □ stands in them.
    """

    parts: tuple[DrawnPart, ...]
    grips: tuple[Grip, ...]
    scales: tuple[Scale, ...]
    unshown: str = ""


def draw_lesson(
    parts: Sequence[dict[str, Any]],
    *,
    whole: dict[str, Any] | None = None,
    width_mm: float,
    fingers: bool = False,
    progress: Progress | None = None,
) -> DrawnLesson:
    """Draw the parts of a lesson as the page draws them.

    Parameters
    ----------
    parts : sequence of dict
        As the page gets them (`transcribe.lesson.handout_content.part_data`).
    whole : dict, optional
        What the parts share (`whole_data` there).
    width_mm : float
        How wide a line of the tab is, in the millimetres that the page draws in.
    fingers : bool
        Whether the fretting finger stands at each note.
    progress : callable, optional
        Called with the stage and its share.

    Raises
    ------
    ParameterError
        If the libraries for it are not installed.
    """
    try:
        import dukpy  # noqa: F401
        from reportlab.pdfbase.pdfmetrics import registerFontFamily
        from svglib import svglib
    except ImportError as error:
        raise ParameterError(
            f"a PDF is drawn with {error.name}, which is not installed; pip install 'handspan[pdf]'"
        ) from None
    for name, weight, slant in _FONTS:
        path = resources.files("transcribe") / "lesson" / "fonts" / f"{name}.ttf"
        with resources.as_file(path) as file:
            svglib.register_font(_FAMILY, str(file), weight, slant, rlgFontName=name)
    registerFontFamily(REGULAR, REGULAR, BOLD, ITALIC, BOLD)
    found = lesson_svg(parts, whole=whole, width_mm=width_mm, fingers=fingers)
    count = sum(len(part["systems"]) for part in found["parts"])
    count += len(found["grips"]) + len(found["scales"])
    done = 0
    unshown: dict[str, None] = {}

    def drawing(svg: str) -> Any:
        nonlocal done
        svg, missing = with_boxes(svg)
        unshown.update(dict.fromkeys(missing))
        done += 1
        if progress is not None:
            progress("drawing", done / count)
        return _drawing(svg)

    return DrawnLesson(
        tuple(
            DrawnPart(tuple(drawing(svg) for svg in part["systems"]), part["signs"])
            for part in found["parts"]
        ),
        tuple(
            Grip(grip["name"], grip["as"], grip["wide"], grip["heavier"], drawing(grip["svg"]))
            for grip in found["grips"]
        ),
        tuple(Scale(scale["label"], drawing(scale["svg"])) for scale in found["scales"]),
        "".join(unshown),
    )


def lesson_svg(
    parts: Sequence[dict[str, Any]],
    *,
    whole: dict[str, Any] | None = None,
    width_mm: float,
    fingers: bool = False,
) -> dict[str, Any]:
    """The drawings as the page's scripts give them, in SVG without its style; see `draw_lesson`."""
    import dukpy

    told = dukpy.evaljs(
        f"{script_of('paper')}\nmodule_paper.drawLesson(dukpy.parts, dukpy.how);",
        parts=list(parts),
        how={"whole": whole, "width": width_mm, "fingers": fingers},
    )
    found: dict[str, Any] = json.loads(told)
    return found


def with_boxes(text: str) -> tuple[str, str]:
    """``text`` with □ for each sign that the font of the handout does not have, and those signs.

    The fonts are there once `draw_lesson` has run.
    """
    from reportlab.pdfbase.pdfmetrics import getFont

    known = getFont(REGULAR).face.charToGlyph
    missing = [c for c in dict.fromkeys(text) if ord(c) not in known and not c.isspace()]
    return text.translate(dict.fromkeys(map(ord, missing), "□")), "".join(missing)


def _drawing(svg: str) -> Any:
    from svglib.svglib import svg2rlg

    styled = svg.replace(">", f"><style>{_style()}</style>", 1)
    made = svg2rlg(io.BytesIO(styled.encode("utf-8")))
    _outlined(made)
    return made


def _outlined(group: Any) -> None:
    """Stroke the outline of a text before its letters, as the page's ``paint-order`` asks."""
    from reportlab.graphics.shapes import Group, String

    shapes = []
    for shape in group.contents:
        if isinstance(shape, Group):
            _outlined(shape)
        elif isinstance(shape, String) and getattr(shape, "strokeColor", None) is not None:
            outline = copy.copy(shape)
            outline.textRenderMode = _OUTLINE
            shapes.append(outline)
            shape.strokeColor = None
        shapes.append(shape)
    group.contents = shapes


@cache
def _style() -> str:
    """The page's rules for its drawings, with the colours that it prints in."""
    printed = read_static("handout.css").partition("@media print")[2]
    values = dict(re.findall(r"(--\w+): ([^;]+);", printed.partition("\n  body")[0]))
    rules = []
    for name in ("page.css", "print.css"):
        for selectors, body in _RULE.findall(read_static(name)):
            kept = [
                each.strip()
                for each in selectors.split(",")
                if any(f".{drawn}" in each for drawn in _DRAWN)
            ]
            if kept:
                rules.append(f"{', '.join(kept)} {{{body}}}")
    style = "\n".join(rules).replace("font-weight: 700", "font-weight: bold")
    style = re.sub(r"var\(--(?:sans|serif)\)", _FAMILY, style)
    return re.sub(r"var\((--\w+)\)", lambda found: values[found[1]], style)
