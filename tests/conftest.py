"""Make the checkout importable as `lynchet`, whatever its folder is called."""

import os
from pathlib import Path

from host import import_checkout
from hypothesis import settings

import_checkout()

# Debian's pyproj looks for PROJ's data beside the environment's own Python, where there is none.
PROJ_DATA = Path("/usr/share/proj")
if PROJ_DATA.is_dir():
    os.environ.setdefault("PROJ_DATA", str(PROJ_DATA))
    os.environ.setdefault("PROJ_LIB", str(PROJ_DATA))

# How long one example takes depends on what else the machine does.
settings.register_profile("lynchet", deadline=None)
settings.load_profile("lynchet")
