"""Every key of a report, with its meaning; units are in the names."""


def _comparison(group: str, signal: str) -> dict[str, str]:
    """Return the keys of what another signal would do at the antenna, made as dense."""
    return {
        f"{group}.gain_db": f"{signal}, made as dense as the output: by this gain",
        f"{group}.negative_peak_pct": "its deepest trough at the antenna; the carrier is off "
        "beyond 100 % (read at the samples of 48 kHz; null if not compared or without a path)",
        f"{group}.positive_peak_pct": "its highest crest at the antenna",
        f"{group}.cutoffs": "how often it cuts the carrier off",
        f"{group}.cutoff_ms": "for how long in all",
    }


INPUT_KEYS = {
    "input.file": "path as given",
    "input.sample_rate_hz": "of the file",
    "input.channels": "of the file",
    "input.channel": "what was used: mix (mean of all), left, right or a number from 1",
    "input.duration_s": "length",
    "input.nonfinite_samples": "samples that were infinite or no number; they count as 0",
    "input.peak_dbfs": "highest sample, mixed and at 48 kHz",
}

RIG_KEYS = {
    "rig.name": "of the rig document",
    "rig.source": "shipped name or path",
    "rig.negative_limit_pct": "deepest trough allowed at the antenna",
    "rig.positive_limit_pct": "highest crest allowed at the antenna",
    "rig.full_modulation_dbfs": "peak of a 1 kHz tone at the sound card that makes 100 %",
    "rig.polarity": "normal or inverted",
    "rig.equalised": "whether the rig file asks for the equaliser; processed files hold its effect",
}

# A number that does not exist, such as the level of silence in dB, is null.
KEYS = {
    "versions": "of carrierfloor, python and the packages that touched the samples",
    **INPUT_KEYS,
    "input.container": "libsndfile's name of the file format",
    "input.sample_type": "libsndfile's name of the sample type",
    "input.frames": "samples of each channel that were read",
    "input.rms_dbfs": "rms of the whole, dB re full scale (a full-scale sine has -3.0)",
    "input.active_level_dbfs": "rms during active speech (ITU-T P.56), same reference",
    "input.activity_pct": "share of the time that is active speech (ITU-T P.56)",
    "output.file": "path as given",
    "output.container": "WAV, RF64 or FLAC",
    "output.sample_type": "libsndfile's name of the sample type",
    "output.dither": "triangular, or none",
    "output.sample_rate_hz": "of the file",
    "output.frames": "samples written",
    "output.active_level_dbfs": "rms during active speech (ITU-T P.56)",
    "voice.name": "of the voice document",
    "voice.source": "shipped name or path",
    "voice.drive_db": "gain ahead of the clipper; null without a drive stage",
    **RIG_KEYS,
    "rig.paths": "names of the audio paths, all of which are held at once",
    "antenna.negative_peak_pct": "deepest trough of the envelope, 100 % is carrier cut-off; "
    "the written samples through the analogue path, worst of the paths",
    "antenna.positive_peak_pct": "highest crest of the envelope, worst of the paths",
    "antenna.cutoffs": "how often the envelope reached zero, worst of the paths",
    "antenna.cutoff_ms": "for how long in all",
    "antenna.density_pct": "modulation density: rms of m during active speech (ITU-T P.56 on m), "
    "lowest of the paths",
    "antenna.pep_w": "peak envelope power; null if the rig does not give its carrier power",
    "antenna.pep_limit_w": "what the licence allows, as the rig says",
    "antenna.emission_offset_hz": "1.25 times the low-pass; emission is counted beyond it",
    "antenna.emission_dbc": "mean power beyond that offset, both sides, below the carrier",
    "card.peak_dbfs": "highest sample written",
    "card.clipped_samples": "samples beyond full scale; 0 unless something is wrong",
    **_comparison("unprocessed", "the input itself"),
    **_comparison("path_blind", "the same voice and limits with a limiter that knows no path"),
    "equaliser.lowest_hz": "from here the response at the antenna is to be flat; null, as all of "
    "these, without an equaliser",
    "equaliser.highest_hz": "up to here",
    "equaliser.deviation_db": "worst deviation in that band from the gain at 1 kHz, all paths",
    "equaliser.deviation_without_db": "the same without the equaliser",
    "equaliser.boost_db": "its highest gain",
    "equaliser.rest_ms": "silence at the end of the output in which it comes to rest",
    "chain.latency_ms": "delay of the chain; taken out of the file",
    "chain.latency_samples": "the same in samples at 48 kHz",
    "chain.low_pass_hz": "cut-off of the last low-pass",
    "chain.low_pass_narrowed": "true if the output's sample rate could not carry the voice's band",
    "chain.clipper_removed_db": "energy that the clipper took away; null without a clipper",
    "chain.limiter_gain_reduction_max_db": "deepest gain reduction of the predictive limiter",
    "chain.limiter_gain_reduction_mean_db": "mean gain reduction of the predictive limiter",
    "chain.compiled": "false if a stage of the voice runs in Python",
    "meters.STAGE.READING": "all readings of each stage, see the stages' own documentation",
    "speed.times_real_time": "length over the time for reading, processing and writing",
    "speed.processing_s": "that time",
    "speed.watching_s": "time for measuring and comparing, not counted above",
    "pictures": "files drawn",
    "notes": "what a person should know, as sentences",
}
