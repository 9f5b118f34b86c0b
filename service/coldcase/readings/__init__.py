"""Readings and oil results become findings: units, refrigerant properties, electrical tests, oil chemistry.
Pure.
"""
