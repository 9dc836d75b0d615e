# Starts the sighting unit. Ctrl-C on the serial port stops it and gives the prompt; an error at start-up is printed there.
from unit.app import App

App().run()
