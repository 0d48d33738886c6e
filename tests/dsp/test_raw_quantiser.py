"""Raw codes as written in the descriptions of 8- and 16-bit receivers, and back again."""

import numpy as np
import pytest

from carrierfloor.dsp.raw_samples import RAW_FORMATS, RawQuantiser, from_bytes

# Codes of -1, 0, 0.5 and 2; without sign zero lies between 127 and 128.
CODES = {
    "u8": [0, 128, 191, 255],
    "s8": [-128, 0, 64, 127],
    "s16": [-32_768, 0, 16_384, 32_767],
}


@pytest.mark.parametrize("name", CODES)
def test_codes(name: str) -> None:
    """numpy.rint takes halves to the even code: 127.5 becomes 128, 191.25 becomes 191."""
    quantiser = RawQuantiser(RAW_FORMATS[name])
    codes = quantiser.process(np.array([[-1.0, 0.0], [0.5, 2.0]]))
    assert codes.dtype == RAW_FORMATS[name].stored
    assert codes.ravel().tolist() == CODES[name]
    assert quantiser.clipped_samples == 1


@pytest.mark.parametrize("name", [*CODES, "f32"])
def test_reading_gives_back_what_was_written(name: str) -> None:
    stored_as = RAW_FORMATS[name]
    samples = np.random.default_rng(1).uniform(-0.99, 0.99, 1000)
    got = from_bytes(RawQuantiser(stored_as).process(samples).tobytes(), stored_as)
    step = 2.0**-24 if name == "f32" else 1.0 / stored_as.full_scale
    assert np.abs(got - samples).max() <= 0.5 * step + 1e-12
