"""Make the checkout importable as `lynchet`, whatever its folder is called."""

import importlib.util
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent

if "lynchet" not in sys.modules:
    spec = importlib.util.spec_from_file_location(
        "lynchet", ROOT / "__init__.py", submodule_search_locations=[str(ROOT)]
    )
    package = importlib.util.module_from_spec(spec)
    sys.modules["lynchet"] = package
    spec.loader.exec_module(package)
