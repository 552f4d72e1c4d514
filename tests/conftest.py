"""What holds for every test: no results kept between runs, neither the user's nor another test's."""

from __future__ import annotations

import os

os.environ["DISPATCH_CACHE_DIR"] = ""  # before any test; processes started by tests inherit it
