"""Run the growing map as a process: python start.py NAME NUMPY.

NAME is that of the package, and NUMPY the version of numpy at the other end: arrays of another
major version cannot be read there. It speaks over its standard input and output, and ends when its
input does.
"""

import importlib.util
import os
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def load(name):
    """Load the package under the name it has in the other process."""
    spec = importlib.util.spec_from_file_location(
        name, ROOT / "__init__.py", submodule_search_locations=[str(ROOT)]
    )
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)


def main():
    """Speak over a copy of standard output, so that nothing else gets among the messages."""
    output = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    name, version = sys.argv[1:]
    import numpy as np

    if np.__version__.split(".")[0] != version.split(".")[0]:
        sys.exit(f"numpy {np.__version__} here, {version} at the other end")
    load(name)
    serving = importlib.import_module(f"{name}.algorithms._growing.serving")
    serving.serve(sys.stdin.buffer, output)


if __name__ == "__main__":
    # One thread for arrays: the other core is for the window.
    for library in ("OMP", "OPENBLAS", "MKL"):
        os.environ.setdefault(f"{library}_NUM_THREADS", "1")
    main()
