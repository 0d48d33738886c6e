"""Independent second ways to compute what carrierfloor computes; none imports carrierfloor."""
