"""Two workers share two cores: threads of the linear algebra would only wait for each other."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
