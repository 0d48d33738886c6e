"""Where everything of the live desk lies in its one flat block of memory.

The block is shared: by the audio callback, by the program that steers and watches it and, on
most systems, by two processes.  Every word of 8 bytes is a float64 or an int64 and is written by
one side only; there are no pointers in it.
"""

from carrierfloor.dsp.stage import HOP

# Slots hold voices, each with a chain of its own up to the limiter.
SLOTS = 4
MOST_ROWS = 48  # stages of a voice
ROW = 5  # columns of an engine's table
SLOT_SIZE = 2**15  # coefficients and states of a voice
CLOSING_SIZE = 2**15  # of limiter and output

# Rings: a power of two of samples, so that a hop never wraps.
RING_SAMPLES = 2**18  # 5.5 s: as long may the watching program sleep
RING_READINGS = RING_SAMPLES // HOP

# ---- Words that are int64. Written by the watching program:
RUN = 0  # 0: silence, and nothing of the desk is touched
OPEN = 1  # 0: the fader goes down and stays there
RESTART = 2  # counts; each change cuts the output at once and begins anew
CHOSEN = 3  # the slot that is to be heard
LOADED = 4  # one flag a slot
ROWS = LOADED + SLOTS  # one count a slot, then the closing rows
HOLD = ROWS + SLOTS + 1  # samples of silence after a restart: until the paths have rung out
# Written by the audio callback:
RUNNING = HOLD + 1  # RUN as last seen
RESTARTED = RUNNING + 1  # RESTART as last seen
HOPS = RESTARTED + 1  # hops done; the rings hold the last of them
FRESH = HOPS + 1  # samples of the queue that are input
HELD = FRESH + 1  # samples of silence still to come
CUTS = HELD + 1  # restarts done
ENGINE = CUTS + 1  # where this process has it; see engine.py
TABLES = 64  # one table a slot, then the closing one
INTEGERS = TABLES + (SLOTS + 1) * MOST_ROWS * ROW

# ---- Words that are float64, behind them. Written by the watching program:
GAINS = INTEGERS  # one a slot, linear
# Written by the audio callback:
HEARD = GAINS + SLOTS  # one a slot: how far its fader is up, 0 to 1
GAINS_NOW = HEARD + SLOTS
LEVEL = GAINS_NOW + SLOTS  # the same of the fader in front of the limiter
ENTRY = LEVEL + 1
ENTRY_END = ENTRY + 5
QUEUE = INTEGERS + 64
WORK = QUEUE + HOP
MIX = WORK + HOP
ARENAS = MIX + HOP
CLOSING = ARENAS + SLOTS * SLOT_SIZE
CLOSING_INITIAL = CLOSING + CLOSING_SIZE  # what a restart copies back

# Rings, of samples at 48 kHz and of readings, one a hop.
RAW = CLOSING_INITIAL + CLOSING_SIZE  # the microphone, full scale 1.0
CARD = RAW + RING_SAMPLES  # what the sound card gets
ANTENNA = CARD + RING_SAMPLES  # the predicted modulation on the first path
READINGS = ANTENNA + RING_SAMPLES

# A reading.
INPUT_PEAK, INPUT_ENERGY, LEAST_GAIN, NEGATIVE_PEAK, POSITIVE_PEAK = range(5)
ANTENNA_ENERGY, CARD_PEAK, FAULT = range(5, 8)
SLOT_ENERGY = 8  # one a slot, ahead of the faders
READING = SLOT_ENERGY + SLOTS

WORDS = READINGS + RING_READINGS * READING
