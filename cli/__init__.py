"""The commands of carrierfloor and what touches the world: files, devices, pictures, screens."""
