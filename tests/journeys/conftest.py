"""What every journey needs beside a browser."""

import os

# Playwright keeps an event loop running in the tests' thread; the database is still used one call at a time.
os.environ.setdefault("DJANGO_ALLOW_ASYNC_UNSAFE", "true")
