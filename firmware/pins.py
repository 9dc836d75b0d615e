"""The single list of pins (RP2040 GP numbers) and bus addresses. hardware/wiring.csv says the same."""

IMU_BUS = 0  # I2C0
IMU_SDA = 4
IMU_SCL = 5
IMU_HZ = 400_000
MARK_BUTTON = 14  # to ground when pressed
REFERENCE_BUTTON = 15  # to ground when pressed
BUZZER = 16  # passive, through 100 ohm
LED = "LED"
SUPPLY_ADC = 29  # VSYS / 3 on the common boards
