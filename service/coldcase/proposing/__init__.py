"""Rule tables learned from verdicts: cases counted, numbers fitted and tried on what was left out."""
