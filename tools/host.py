"""A headless QGIS with this checkout's plugin, for the project's own scripts."""

from __future__ import annotations

import gc
import importlib.util
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
BUILD = ROOT / "build"


def import_checkout():
    """Import the checkout as `lynchet`, whatever its folder is called."""
    if "lynchet" not in sys.modules:
        spec = importlib.util.spec_from_file_location(
            "lynchet", ROOT / "__init__.py", submodule_search_locations=[str(ROOT)]
        )
        package = importlib.util.module_from_spec(spec)
        sys.modules["lynchet"] = package
        spec.loader.exec_module(package)
    return sys.modules["lynchet"]


@contextmanager
def headless() -> Iterator[object]:
    """Start QGIS in a profile of its own with the plugin loaded; give its `processing` module."""
    profile = BUILD / "profile"
    runtime = BUILD / "run"
    for folder in (profile, runtime):
        folder.mkdir(parents=True, exist_ok=True)
    runtime.chmod(0o700)
    os.environ["XDG_RUNTIME_DIR"] = str(runtime)
    os.environ["QGIS_CUSTOM_CONFIG_PATH"] = str(profile)
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    from qgis.core import QgsApplication

    app = QgsApplication([], True, str(profile))
    app.initQgis()
    sys.path.append(str(Path(QgsApplication.pkgDataPath()) / "python" / "plugins"))
    import processing
    from processing.core.Processing import Processing

    Processing.initialize()
    plugin = import_checkout().classFactory(None)
    plugin.initProcessing()
    try:
        yield processing
    finally:
        plugin.unload()
        _close_layers()
        app.exitQgis()


def _close_layers() -> None:
    """Close layers that a script still holds: they would outlive the host, and crash it."""
    from qgis.core import QgsMapLayer
    from qgis.PyQt import sip

    for held in gc.get_objects():
        # By its type: to ask a proxy what it is may fail.
        if not issubclass(type(held), QgsMapLayer) or sip.isdeleted(held):
            continue
        if sip.ispyowned(held):
            sip.delete(held)
