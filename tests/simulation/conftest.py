"""The scripts of the simulations can be imported by their tests, here and in the processes that they start."""

import os
import sys
from pathlib import Path

HERE = str(Path(__file__).parent)
sys.path.insert(0, HERE)
os.environ["PYTHONPATH"] = os.pathsep.join([HERE, *filter(None, [os.environ.get("PYTHONPATH")])])
