"""Which valve to turn next. (Not built yet.)"""
