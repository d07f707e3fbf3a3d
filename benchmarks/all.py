"""Run every benchmark of this folder, one after the other."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent


def main() -> None:
    failed = []
    for script in sorted(HERE.glob("[!_]*.py")):
        if script.name == Path(__file__).name:
            continue
        print(f"\n== {script.stem}", flush=True)
        if subprocess.run([sys.executable, str(script)], check=False).returncode:
            failed.append(script.name)
    if failed:
        sys.exit(f"failed: {', '.join(failed)}")


if __name__ == "__main__":
    main()
