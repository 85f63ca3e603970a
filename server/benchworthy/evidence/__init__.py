"""The inside of the pipeline: the gate, the judging of a run as it stands, and the record."""
