"""All visits together: one Parquet dataset, the questions that it answers, and all traces read again."""
