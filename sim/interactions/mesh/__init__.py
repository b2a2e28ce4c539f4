"""The dipole sum on a mesh: plan, tables, errors."""
