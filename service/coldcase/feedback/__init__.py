"""Use case: what people established afterwards (ground truth), and how well stated confidences were
calibrated against it.
"""
