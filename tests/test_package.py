"""What an installed package brings, beside the code."""

from __future__ import annotations

import shutil
import subprocess
import sys
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder, source = tmp_path_factory.mktemp("wheel"), tmp_path_factory.mktemp("source")
    for name in ("transcribe", "theory"):  # a copy, since building leaves files behind
        shutil.copytree(ROOT / name, source / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, source)
    command = [
        sys.executable,
        "-m",
        "pip",
        "wheel",
        "-q",
        "--no-deps",
        "-w",
        str(folder),
        str(source),
    ]
    subprocess.run(command, check=True)
    return next(folder.glob("handspan-*.whl"))


def test_the_demo_runs_from_a_wheel(wheel: Path, tmp_path: Path) -> None:
    """Installed beside the tests' own dependencies, with the checkout out of reach."""
    venv.create(tmp_path / "env", with_pip=False, symlinks=True)
    site = next((tmp_path / "env" / "lib").glob("python*")) / "site-packages"
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(site)
    # The dependencies come from the environment of the tests; the project itself does not.
    packages = [p for p in sys.path if p.endswith("site-packages")]
    (site / "dependencies.pth").write_text("\n".join(packages), "utf-8")
    found = subprocess.run(
        [
            *(str(tmp_path / "env" / "bin" / "python"), "-c"),
            "import sys, transcribe; from transcribe.command.main import main;"
            "print(transcribe.__file__); sys.exit(main(['demo']))",
        ],
        cwd=tmp_path,
        env={"PATH": "", "PYTHONSAFEPATH": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert found.returncode == 0, found.stderr
    assert found.stdout.startswith(str(site))
    assert "A dorian" in found.stdout
    assert (tmp_path / "handspan-demo" / "mooring.riff.json").exists()


def test_the_packaged_take_is_the_fixture() -> None:
    for file in (ROOT / "transcribe" / "demo" / "mooring").iterdir():
        assert (
            file.read_bytes() == (ROOT / "fixtures" / "takes" / "mooring" / file.name).read_bytes()
        )
