"""The film at rest: samples the canonical ensemble of a film by moves instead of following it."""
