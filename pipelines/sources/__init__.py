"""Source profiles: how one exporter names, dates and measures things."""

from pipelines.sources.profiles import Profile, fitting_profile, known_profiles, profiles_at, read_profile

__all__ = ["Profile", "fitting_profile", "known_profiles", "profiles_at", "read_profile"]
