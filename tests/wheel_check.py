"""Build wheel and sdist; install each in a new environment outside the checkout; ask it.

    python tests/wheel_check.py [PYTHON]... [--from wheel|sdist]

PYTHON: interpreters to try; by default every one from 3.11 to 3.14 that is found on the path or
beside this one. Each gets an environment of its own with the locked dependencies, the archive
and nothing of the checkout, and runs `seeworthy selfcheck --quick` in an empty folder.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
VERSIONS = ("3.11", "3.12", "3.13", "3.14")


def interpreters() -> list[str]:
    """Return one interpreter for every version that is there and answers."""
    found: dict[str, str] = {}
    # Interpreters that stand in folders beside this one's (installed by a version manager) count.
    beside = Path(sys.base_prefix).parent
    for version in VERSIONS:
        names = [shutil.which(f"python{version}"), *sorted(beside.glob(f"{version}*/bin/python"))]
        for name in filter(None, names):
            if version not in found and version_of(str(name)) == version:
                found[version] = str(name)
    return list(found.values())


def version_of(python: str) -> str:
    """Return ``3.12``, or ``""`` for what does not answer."""
    asked = "import sys, venv, ensurepip; print('%d.%d' % sys.version_info[:2])"
    done = subprocess.run([python, "-c", asked], capture_output=True, text=True, check=False)
    return done.stdout.strip() if done.returncode == 0 else ""


def build(folder: Path) -> dict[str, Path]:
    """Build both archives from a copy, the wheel from the sdist as an index would."""
    subprocess.run(
        [sys.executable, "-m", "uv", "build", "--quiet", "--out-dir", str(folder), str(ROOT)],
        check=True,
    )
    return {"wheel": next(folder.glob("*.whl")), "sdist": next(folder.glob("*.tar.gz"))}


def check(python: str, archive: Path, folder: Path) -> None:
    """Install an archive for an interpreter and run its own check; raise when it fails."""
    place = folder / "environment"
    run = [sys.executable, "-m", "uv"]
    subprocess.run([*run, "venv", "--quiet", "--python", python, str(place)], check=True)
    within = place / ("Scripts" if os.name == "nt" else "bin")
    install = [*run, "pip", "install", "--quiet", "--python", str(within / "python")]
    subprocess.run(
        [*install, "--require-hashes", "-r", str(ROOT / "requirements.lock")], check=True
    )
    subprocess.run([*install, "--no-deps", str(archive)], check=True)
    empty = folder / "elsewhere"
    empty.mkdir()
    clean = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "SEEWORTHY"))}
    command = [str(within / "seeworthy"), "selfcheck", "--quick"]
    subprocess.run(command, cwd=empty, env=clean, check=True, timeout=600)
    if any(empty.iterdir()):
        raise SystemExit(f"{command[0]} left something behind: {list(empty.iterdir())}")


def main() -> None:
    """Build, install, ask."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("python", nargs="*")
    parser.add_argument("--from", dest="kinds", action="append", choices=("wheel", "sdist"))
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="seeworthy-wheel-") as name:
        built = build(Path(name))
        for python in given.python or interpreters():
            for kind in given.kinds or built:
                print(f"{kind} on Python {version_of(python)}", flush=True)
                with tempfile.TemporaryDirectory(prefix="seeworthy-wheel-") as place:
                    check(python, built[kind], Path(place))
    print("Every archive works.")


if __name__ == "__main__":
    main()
