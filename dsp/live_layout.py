"""Where the rest of a live session lies, behind the desk in the same block of memory.

What the audio callbacks count and what they are told of channels and rates.  As in
desk_layout.py, a word is written by one side only.
"""

from carrierfloor.dsp import desk_layout
from carrierfloor.dsp.bridge_layout import BRIDGE_COEFFICIENTS_SIZE, BRIDGE_STATE_SIZE

MOST_FRAMES = 2048  # of one callback
MOST_SAMPLES = 8192  # at 48 kHz that belong to them
LOADS = 4096  # callbacks whose load is kept

# ---- int64. Written by the steering side before the devices are opened:
SETTINGS = desk_layout.WORDS
HAS_INPUT = SETTINGS  # the output's callback has the input too
IN_CHANNELS = SETTINGS + 1
IN_COLUMN = SETTINGS + 2  # which of them is used; ALL: their mean
OUT_CHANNELS = SETTINGS + 3
OUT_COLUMN = SETTINGS + 4  # which of them gets the signal; ALL: every one
OUT_BRIDGED = SETTINGS + 5  # the output is not at 48 kHz
MONITOR_CHANNELS = SETTINGS + 6  # 0: there is no monitor
RATE_HZ = SETTINGS + 7  # of the output
# Written by the callback of the output:
CALLBACKS = SETTINGS + 8
OUTPUT_UNDERFLOWS = SETTINGS + 9
MONITORED = SETTINGS + 11  # hops that the monitor got
OUT_CLOCK = SETTINGS + 12  # two words
# By that of the input, which may be the same:
INPUT_CALLBACKS = SETTINGS + 16
INPUT_OVERFLOWS = SETTINGS + 17
IN_CLOCK = SETTINGS + 18
# By that of the monitor:
MONITOR_CLOCK = SETTINGS + 25

ALL = -1

# ---- float64
LOAD = SETTINGS + 32  # a ring: share of a block's time that a callback took
IN_BLOCK = LOAD + LOADS
CHAIN_BLOCK = IN_BLOCK + MOST_FRAMES
OUT_BLOCK = CHAIN_BLOCK + MOST_SAMPLES
MONITOR_BLOCK = OUT_BLOCK + MOST_FRAMES
IN_BRIDGE = MONITOR_BLOCK + MOST_FRAMES
OUT_BRIDGE = IN_BRIDGE + BRIDGE_COEFFICIENTS_SIZE + BRIDGE_STATE_SIZE
MONITOR_BRIDGE = OUT_BRIDGE + BRIDGE_COEFFICIENTS_SIZE + BRIDGE_STATE_SIZE
END = MONITOR_BRIDGE + BRIDGE_COEFFICIENTS_SIZE + BRIDGE_STATE_SIZE
