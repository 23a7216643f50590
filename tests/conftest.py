"""Make the checkout importable as `lynchet`, whatever its folder is called."""

from host import import_checkout
from hypothesis import settings

import_checkout()

# How long one example takes depends on what else the machine does.
settings.register_profile("lynchet", deadline=None)
settings.load_profile("lynchet")
