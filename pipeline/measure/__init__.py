"""How fast it is, measured side by side with yardsticks: cases.py says what, harness.py how, data.py on which invented rows."""
