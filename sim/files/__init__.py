"""The files of a run: run file, checkpoint, folder, lock, provenance."""
