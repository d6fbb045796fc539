"""The record for the customer and the official. (Not built yet.)"""
