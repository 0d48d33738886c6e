"""What holds for all tests."""

import signal

# A shell starts background jobs with Ctrl-C ignored, and commands that the tests start would
# inherit that: then none could be interrupted.
signal.signal(signal.SIGINT, signal.default_int_handler)
