"""Imported once by the process that workers are forked from: everything heavy that they need."""

from __future__ import annotations

import contextlib
import importlib

__all__: list[str] = []

for _name in (
    "numpy",
    "scipy.fft",
    "scipy.linalg",
    "scipy.ndimage",
    "scipy.sparse.csgraph",
    "scipy.special",
    "soundfile",
    "soxr",
    "av",
    "onnxruntime",
    "transcribe.api",
    "transcribe.audio",
    "transcribe.notes",
    "transcribe.rhythm",
    "transcribe.fingering.hand_at",
    "transcribe.formats.tab",
    "transcribe.sound",
    "transcribe.takes.report",
    "transcribe.harmony",
    "transcribe.correct.carry_over",
    "transcribe.library.riff_files",
    "theory",
    "transcribe.page.worker.edits",
    "transcribe.page.worker.picture",
    "transcribe.page.worker.process",
):
    # A part that cannot be imported here says so, clearly, in the job that needs it.
    with contextlib.suppress(Exception):
        importlib.import_module(_name)
