"""The signal processing of carrierfloor: arithmetic only, no files, devices or printing."""
