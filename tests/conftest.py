"""Make the checkout importable as `lynchet`, whatever its folder is called."""

from host import import_checkout

import_checkout()
