# ruff: noqa
"""Feeds looks.json, rows of down and elapsed_us, to the button with the heap locked; prints what came when."""

import json

import gc
import micropython
from array import array
from button import Button

with open("looks.json") as file:
    looks = json.load(file)


def run(button, downs, elapsed, told):
    for i in range(len(downs)):
        told[i] = button.feed(downs[i] == 1, elapsed[i])


downs = bytearray([down for down, _ in looks])
elapsed = array("i", [us for _, us in looks])
told = bytearray(len(looks))
del looks
button = Button()
gc.collect()
micropython.heap_lock()
run(button, downs, elapsed, told)
micropython.heap_unlock()
for i in range(len(told)):
    if told[i]:
        print(i, told[i])
