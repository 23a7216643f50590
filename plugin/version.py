"""The plugin's version, read from metadata.txt, its only home."""

from configparser import ConfigParser
from pathlib import Path


def _read() -> str:
    parser = ConfigParser(interpolation=None)
    parser.read(Path(__file__).resolve().parent.parent / "metadata.txt", encoding="utf-8")
    return parser["general"]["version"]


VERSION = _read()
