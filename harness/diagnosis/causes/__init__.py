"""The rule base: one module a family, one row a cause (harness.diagnosis.rows)."""
