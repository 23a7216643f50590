"""What several tests of the host side share."""


def attributes(layer, *names):
    """Rows of a layer as tuples, NULL as None."""
    from lynchet.plugin import compat

    return [
        tuple(None if compat.is_null(feature[name]) else feature[name] for name in names)
        for feature in layer.getFeatures()
    ]
