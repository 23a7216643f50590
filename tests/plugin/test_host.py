"""The headless host of the project's own scripts."""

import subprocess
import sys

from host import ROOT

SCRIPT = """
import sys
sys.path.insert(0, "tools")
from host import headless
with headless() as processing:
    from qgis.core import QgsVectorLayer
    layer = QgsVectorLayer("sample_layers/quillmere_g3.csv", "held", "ogr")
    print(layer.featureCount() > 100)
"""


def test_a_script_may_hold_a_layer_to_its_end():
    # A layer of a file that outlived the host crashed it after a right result.
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT], cwd=ROOT, stdout=subprocess.PIPE, timeout=120
    )
    assert (done.returncode, done.stdout.split()) == (0, [b"True"])
