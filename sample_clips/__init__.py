"""The sample-clip generator: a program of its own, which the estimator never imports."""

import os

# The search's matrices are small: more threads only get in each other's way (six times slower on a busy machine).
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
