import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the commands do, before numpy is loaded
