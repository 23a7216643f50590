"""Make the zip that the host's plugin manager installs: build/lynchet-VERSION.zip."""

from __future__ import annotations

import zipfile
from configparser import ConfigParser
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
SHIPPED = ("__init__.py", "metadata.txt", "LICENSE", "CHANGELOG.md", "README.md")
FOLDERS = ("algorithms", "plugin")
LEFT_OUT = {"__pycache__"}
EPOCH = (2020, 1, 1, 0, 0, 0)


def version() -> str:
    """The version in metadata.txt."""
    parser = ConfigParser(interpolation=None)
    parser.read(ROOT / "metadata.txt", encoding="utf-8")
    return parser["general"]["version"]


def shipped() -> list[Path]:
    """Every file that goes into the zip, sorted."""
    files = [ROOT / name for name in SHIPPED]
    for folder in FOLDERS:
        files += [
            path
            for path in (ROOT / folder).rglob("*")
            if path.is_file() and not LEFT_OUT & set(path.parts) and path.suffix != ".pyc"
        ]
    return sorted(files)


def make(target: Path) -> Path:
    """Write the zip, the same bytes for the same files."""
    target.parent.mkdir(parents=True, exist_ok=True)
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as bundle:
        for path in shipped():
            entry = zipfile.ZipInfo(f"lynchet/{path.relative_to(ROOT).as_posix()}", EPOCH)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            bundle.writestr(entry, path.read_bytes())
    return target


if __name__ == "__main__":
    made = make(ROOT / "build" / f"lynchet-{version()}.zip")
    print(f"{made.relative_to(ROOT)}: {made.stat().st_size / 1024:.0f} KiB")
