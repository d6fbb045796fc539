"""Local web pages: draw what they are given. (Not built yet.)"""
