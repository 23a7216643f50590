"""Map units against the definitions of the foot."""

import pytest


@pytest.mark.parametrize(
    ("crs", "metres"),
    [
        ("EPSG:25831", 1.0),
        # NIST Special Publication 811 (2008), appendix B.6: both feet, exact.
        ("EPSG:2263", 1200 / 3937),
        ("EPSG:2222", 0.3048),
    ],
)
def test_a_metre_is_told_in_the_very_foot_of_the_map(qgis_app, crs, metres):
    from lynchet.plugin.units import metre
    from qgis.core import QgsCoordinateReferenceSystem

    assert metre(QgsCoordinateReferenceSystem(crs)) == pytest.approx(1 / metres, rel=1e-14)


def test_a_metre_of_a_local_system_is_told_too(qgis_app):
    from lynchet.plugin.units import map_unit, metre
    from qgis.core import QgsCoordinateReferenceSystem

    local = QgsCoordinateReferenceSystem.fromWkt('LOCAL_CS["site",UNIT["foot",0.3048]]')
    assert metre(local) == pytest.approx(1 / 0.3048, rel=1e-14)
    assert map_unit(local) == "ft"
    assert map_unit(QgsCoordinateReferenceSystem()) == "map units"
