"""Where everything of the predictive limiter lies in its two flat arrays."""

from carrierfloor.dsp.gain_window import WINDOW
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import HOP, Block
from carrierfloor.dsp.true_peak import REACH, WIDTH

HORIZON = HOP + WINDOW + REACH  # what the limiter sees of its input
LATENCY = HORIZON - HOP
LAST = HORIZON - REACH - 1  # a top of z beyond cannot be interpolated yet
PAST = 2 * REACH + 1  # past values of z that a peak still to be settled may need
MAX_PATHS = 12
MAX_SECTIONS = 24
STATES = 2 * MAX_SECTIONS
MAX_MOMENTS = 1024

# Coefficients: the interpolator, then where each path's table starts, then the tables.
TAPS = 0
PATH_COUNT = TAPS + 3 * WIDTH
PATH_OFFSETS = PATH_COUNT + 1
TABLES = PATH_OFFSETS + MAX_PATHS
# A path's table: how far z may go, sizes, then the packed sections, then the ring-out rows.
NEGATIVE_AIM, POSITIVE_AIM, PACKED, MOMENTS, COUNTED, HEAD = range(6)

# State: readings.
HOPS, PASSES, RETREATS, MUTES, IMPOSSIBLE = range(5)
NEGATIVE_PEAK, POSITIVE_PEAK, NEGATIVE_PEAK_NOW, POSITIVE_PEAK_NOW = range(5, 9)
LEAST_GAIN, LEAST_GAIN_NOW, GAIN_DB_SUM = range(9, 12)
# State: the plan.
DIRTY = 12  # 1.0 if the paths must be run anew from the last commit
X = 16  # input over the horizon
R = X + HORIZON  # required gain
BEFORE = R + HORIZON  # the same before this pass lowered it
M = BEFORE + HORIZON  # WINDOW - 1 past values, then the horizon
G = M + WINDOW - 1 + HORIZON  # smooth gain
Y = G + HORIZON  # output
WORK = Y + HORIZON  # scratch for the window
MUTED = WORK + 2 * MAX_MOMENTS  # z of a mute, with its past
MUTED_M = MUTED + PAST + HORIZON
MUTED_Y = MUTED_M + WINDOW + HORIZON
TRIAL = MUTED_Y + HORIZON
RING = TRIAL + STATES
PATHS = RING + MAX_MOMENTS
# State: per path, the sections' state at four places and the prediction over the horizon.
AT_START, AT_HOP, AT_TWO_HOPS, AT_END = (n * STATES for n in range(4))
Z = 4 * STATES
PER_PATH = Z + PAST + HORIZON
SIZE = PATHS + MAX_PATHS * PER_PATH


@kernel
def table_of(coefficients: Block, path: int) -> Block:
    """Return the coefficients from a path's table on."""
    return coefficients[int(coefficients[PATH_OFFSETS + path]) :]


@kernel
def own_of(state: Block, path: int) -> Block:
    """Return the part of the state that is a path's own."""
    return state[PATHS + path * PER_PATH : PATHS + (path + 1) * PER_PATH]
