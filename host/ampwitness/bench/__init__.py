"""Models with known truth, the virtual board, and the commands that print the scores."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the commands do, before numpy is loaded
