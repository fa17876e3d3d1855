"""Which clips the network is trained on, and how often each bank has its turn."""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

__all__ = ["add_render_arguments", "maker"]

_OWN_GROUP = {"acoustic": 0.22}
"""Banks that are rendered into files of their own, so that a trainer can leave them out."""
_REST = "rest"
_HARD = ("octaves", "low", "power", "strum", "mixed", "legato")
"""Kinds whose notes are lost or imagined most often."""
_HARD_SHARE = 0.35


def add_render_arguments(parser: argparse.ArgumentParser) -> None:
    """The arguments that rendering needs."""
    parser.add_argument("--banks", type=Path, help="file from transcribe.training.banks")
    parser.add_argument("--talk", type=Path, help="file from transcribe.training.talk")
    parser.add_argument("--workers", type=int, default=max(1, (os.cpu_count() or 2) - 2))
    parser.add_argument("--seed", type=int, default=1)


def maker(
    banks_file: Path | None, talk_file: Path | None = None
) -> tuple[Callable[[int, str], Any], dict[str, float]]:
    """A function of (seed, group) that makes a clip, and the share of each group.

    Without a file of banks the clips are of synthesised strings alone, without one of talk nobody
    talks in them. Voices that are held out stay out.
    """
    from transcribe.training.banks import load_banks
    from transcribe.training.clips import make_clip
    from transcribe.training.talk import load_talk

    banks = load_banks(banks_file)
    talk = load_talk(talk_file).part(held_out=False) if talk_file else None
    groups = {name: share for name, share in _OWN_GROUP.items() if name in banks}
    groups[_REST] = 1.0 - sum(groups.values())
    members: dict[str, Mapping[str, Any]] = {
        name: {name: banks[name]} for name in groups if name in banks
    }
    members[_REST] = {name: bank for name, bank in banks.items() if name not in members}

    def make(seed: int, group: str) -> Any:
        rng = np.random.default_rng([seed, 5])
        kind = str(rng.choice(_HARD)) if rng.random() < _HARD_SHARE else None
        return make_clip(seed, banks=members[group], kind=kind, around=None, talk=talk)

    return make, groups
