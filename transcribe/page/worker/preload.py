"""Imported once by the process that workers are forked from: everything heavy that they need."""

from __future__ import annotations

import contextlib
import importlib

__all__: list[str] = []

for _name in (
    "numpy",
    "scipy.signal",
    "soundfile",
    "soxr",
    "av",
    "onnxruntime",
    "transcribe.api",
    "transcribe.audio",
    "transcribe.notes",
    "transcribe.rhythm",
    "transcribe.fingering",
    "transcribe.formats",
    "transcribe.sound",
    "transcribe.takes",
    "theory",
    "transcribe.page.worker.process",
):
    # A part that cannot be imported here says so, clearly, in the job that needs it.
    with contextlib.suppress(Exception):
        importlib.import_module(_name)
