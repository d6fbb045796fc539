"""The hood's calibration: references, fit, record. (Not built yet.)"""
