"""Writes trained weights as the ONNX file that `transcribe.notes.network` runs.

    python -m transcribe.training.export FOLDER/weights.pt -o transcribe/notes/weights.onnx

The file carries its reach in frames, and the settings it was trained with. It is read back
and run beside the torch network before it replaces anything.
"""

from __future__ import annotations

import argparse
import json
import os
import warnings
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import torch

from transcribe.core.errors import HandspanError
from transcribe.notes.features import CHANNELS, SEMITONES
from transcribe.training.model import NoteNet
from transcribe.training.train import load_net

__all__ = ["MAX_BYTES", "export", "main"]

MAX_BYTES = 3 * 2**20
"""Weights that ship stay under 3 MB."""
_OPSET = 17
_AGREE = 2e-3  # logits; float32 sums in another order differ by about 1e-4


def export(net: NoteNet, path: Path) -> None:
    """Writes ``net`` to ``path``, whole or not at all.

    Raises
    ------
    HandspanError
        If the file is over `MAX_BYTES`, or does not answer as the network does.
    """
    import onnx

    net = net.cpu().eval()
    part = path.with_suffix(".part")
    sample = torch.rand(1, CHANNELS, 40, SEMITONES)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        # The older exporter needs no further package and folds the norms into the kernels.
        torch.onnx.export(
            net,
            (sample,),
            str(part),
            input_names=["features"],
            output_names=["answer"],
            dynamic_axes={"features": {2: "frames"}, "answer": {2: "frames"}},
            opset_version=_OPSET,
            dynamo=False,
        )
    model = onnx.load(str(part))
    facts = {
        "reach_frames": str(net.reach_frames),
        "settings": json.dumps(net.settings.as_json()),
    }
    onnx.helper.set_model_props(model, facts)
    onnx.save(model, str(part))
    _check(net, part)
    os.replace(part, path)


def _check(net: NoteNet, path: Path) -> None:
    import onnxruntime

    size = path.stat().st_size
    if size > MAX_BYTES:
        raise HandspanError(f"the weights take {size} bytes; make the network smaller than 3 MB")
    session = onnxruntime.InferenceSession(str(path), providers=["CPUExecutionProvider"])
    x = torch.rand(1, CHANNELS, 57, SEMITONES, generator=torch.Generator().manual_seed(1))
    with torch.no_grad():
        wanted = net(x).numpy()
    given = session.run(None, {"features": x.numpy()})[0]
    worst = float(np.abs(wanted - given).max())
    if not worst <= _AGREE:
        raise HandspanError(f"the exported network is off by {worst:g}; export it again")


def main(argv: Sequence[str] | None = None) -> None:
    """Exports from the command line."""
    parser = argparse.ArgumentParser(prog="python -m transcribe.training.export")
    parser.add_argument("weights", type=Path, help="weights.pt of a training run")
    parser.add_argument("-o", "--out", type=Path, required=True, help="ONNX file to write")
    args = parser.parse_args(argv)
    export(load_net(args.weights), args.out)


if __name__ == "__main__":
    main()
