"""The bytes on the bus against the data sheets (MicroPython).

MPU-6050: InvenSense RM-MPU-6000A rev 4.2. AS5600: ams data sheet, register map. LSM6DS: ST DS12814, DocID026899, DocID030071. Codes typed from the register tables, not from
the drivers, and compared with independent public ones: every address and bit of the LSM6DSOX with the manufacturer's header lsm6dsox_reg.h (identity, CTRL1_XL to CTRL8_XL,
BDU, IF_INC, SW_RESET, LPF2_XL_EN, LPF1_SEL_G, FTYPE, HPCF_XL, FS_G, data rates, outputs from 20h); MPU-6050 addresses, DLPF codes and the 500 degrees a second with open drivers that
agree with one another; AS5600 address, STATUS bits MD 20h, ML 10h, MH 08h and RAW ANGLE likewise. LSM6DS3: bit
places, 17.5 mdps and 16 counts a degree with its maker's lsm6ds3_reg, BW_XL 11 (50 Hz) with open drivers. Identities 69h, 6Ah and 6Ch,
data rates and ranges: also the Linux driver st_lsm6dsx. LSM6DS3TR-C: 256 counts a degree with its maker's driver, LPF1_BW_SEL and
LPF1_SEL_G with drivers of its sister LSM6DSL. MPU-6500, ICM-20689: identities and temperatures with the Linux driver inv_mpu6050; the
bandwidths of register 1Dh with one open driver. From memory, not found: everything about the part that says 72h.
"""

import desk
from machine import I2C, Pin, lsm, magnet, mpu
from unit import as5600, imu
from unit.lsm6ds import Lsm6ds
from unit.mpu6050 import Mpu6050

bus = I2C(0, sda=Pin(4), scl=Pin(5), freq=400000)


def fitted(address, part):
    I2C.parts = {address: part}
    I2C.writes = []
    return part.registers


def last_writes():
    return {register: data[0] for _, register, data in I2C.writes}


def test_mpu_settings_are_those_of_the_register_map():
    # Section 4.3 DLPF_CFG 4: 21/20 Hz, 3: 44/42 Hz; 4.2 sample rate 1 kHz / (1 + divider): 200 and 500 Hz;
    # 4.4 FS_SEL 1 is bit 3: 500 deg/s; 4.5 AFS_SEL 0: 2 g; 4.28 reset bit 7, CLKSEL 1: PLL with X gyroscope.
    for rate_hz, low_pass, divider in ((100, 4, 4), (200, 3, 1)):
        fitted(0x68, mpu())
        Mpu6050(bus, 0x68, rate_hz)
        assert [(a, r) for a, r, _ in I2C.writes][0] == (0x68, 0x6B) and I2C.writes[0][2] == b"\x80"
        assert last_writes() == {0x6B: 0x01, 0x1A: low_pass, 0x19: divider, 0x1B: 0x08, 0x1C: 0x00}


def test_mpu_relatives_get_their_own_accelerometer_filter():
    # MPU-6500 register map, register 29 (0x1D): A_DLPFCFG 4 is 21.2 Hz, 3 is 44.8 Hz (compared with one open driver).
    for identity in (0x70, 0x72, 0x98):
        for rate_hz, code in ((100, 4), (200, 3)):
            fitted(0x69, mpu(identity))
            Mpu6050(bus, 0x69, rate_hz)
            assert last_writes()[0x1D] == code


def test_lsm_settings_are_those_of_the_data_sheets():
    # ODR 0100: 104 Hz, 0101: 208 Hz; FS_XL 00: 2 g; FS_G 01: 500 deg/s; BDU bit 6, IF_INC bit 2.
    # LSM6DSOX and TR-C: CTRL1_XL bit 1 selects the ODR/4 filter, CTRL4_C bit 1 LPF1_SEL_G.
    # LSM6DS3: CTRL1_XL bits 1:0 = 11 is 50 Hz, CTRL4_C bit 7 XL_BW_SCAL_ODR makes it count.
    for identity, low_bits, control_4 in ((0x6C, 0x02, 0x02), (0x6A, 0x02, 0x02), (0x69, 0x03, 0x80)):
        for rate_hz, rate in ((100, 0x40), (200, 0x50)):
            fitted(0x6A, lsm(identity))
            Lsm6ds(bus, 0x6A, rate_hz)
            assert I2C.writes[0] == (0x6A, 0x12, b"\x01")
            assert last_writes() == {0x12: 0x44, 0x13: control_4, 0x15: 0, 0x17: 0, 0x10: rate | low_bits, 0x11: rate | 0x04}


def test_scales_are_those_of_the_data_sheets():
    assert Mpu6050.accel_lsb_per_g == 16384 and Mpu6050.gyro_lsb_per_dps == 65.5
    assert abs(Lsm6ds.accel_lsb_per_g * 0.061e-3 - 1) < 1e-5  # LA_So 0.061 mg/LSB
    assert abs(Lsm6ds.gyro_lsb_per_dps * 17.5e-3 - 1) < 1e-5  # G_So 17.50 mdps/LSB


def test_temperatures_are_those_of_the_data_sheets():
    fitted(0x68, mpu())
    assert Mpu6050(bus, 0x68, 100).temperature_cdeg(-3920) == 2500  # raw / 340 + 36.53
    for identity, per_degree in ((0x6C, 256), (0x6A, 256), (0x69, 16)):
        fitted(0x6A, lsm(identity))
        assert Lsm6ds(bus, 0x6A, 100).temperature_cdeg(-5 * per_degree) == 2000


def test_a_reading_is_one_burst_and_comes_out_in_the_order_of_the_record():
    # accelerometer 1, 2, 3, gyroscope -1, -2, -3, wherever the part keeps them
    cases = (
        (0x68, mpu(), 0x3B, b"\0\1\0\2\0\3\x11\x22\xff\xff\xff\xfe\xff\xfd"),
        (0x6A, lsm(), 0x20, b"\x22\x11\xff\xff\xfe\xff\xfd\xff\1\0\2\0\3\0"),
    )
    for address, part, register, data in cases:
        fitted(address, part)
        part.registers[register : register + 14] = data
        driver = imu.find(bus, 100)
        part.registers[register : register + 14] = data
        reading = bytearray(14)
        before = I2C.bursts
        driver.read_into(reading)
        assert I2C.bursts == before + 1
        assert bytes(reading[i] for i in driver.order) == b"\1\0\2\0\3\0\xff\xff\xfe\xff\xfd\xff"
        assert reading[driver.temperature_high] == 0x11 and reading[driver.temperature_low] == 0x22


def test_each_part_is_found_by_its_identity():
    for address, part, name in (
        (0x68, mpu(0x68), "MPU-6050"),
        (0x69, mpu(0x70), "MPU-6500"),
        (0x6A, lsm(0x6C), "LSM6DSOX"),
        (0x6B, lsm(0x69), "LSM6DS3"),
        (0x6A, lsm(0x6A), "LSM6DS3TR-C"),
    ):
        fitted(address, part)
        assert imu.find(bus, 200).name == name


def test_a_wrong_identity_is_refused_and_shown():
    fitted(0x68, mpu(0x12))
    assert "0x68 says it is 0x12" in desk.raises(OSError, imu.find, bus, 100)
    assert I2C.writes == []  # nothing is written into a part that is not ours
    fitted(0x6B, lsm(0x33))
    assert "0x6B says it is 0x33" in desk.raises(OSError, imu.find, bus, 100)


def test_an_empty_bus_is_told_with_what_to_do():
    I2C.parts = {}
    assert "nothing" in desk.raises(OSError, imu.find, bus, 100)
    I2C.parts = {0x36: mpu()}
    assert "0x36" in desk.raises(OSError, imu.find, bus, 100)


def test_the_encoder_is_read_in_one_burst_and_never_written():
    # AS5600 data sheet: STATUS 0Bh bit 5 is MD (bits 4 and 3 say too weak, too strong), RAW ANGLE 0Ch has bits 11 to 8, 0Dh the rest.
    fitted(0x68, mpu())
    assert as5600.find(bus) is None
    registers = fitted(0x36, magnet())
    found = as5600.find(bus)
    for status, high, low, angle in (
        (0x20, 0x0A, 0xBC, 0x0ABC), (0x30, 0x0F, 0xFF, 4095), (0x28, 0xF0, 0x01, 1), (0x00, 1, 2, as5600.UNKNOWN), (0x18, 1, 2, as5600.UNKNOWN)
    ):
        registers[0x0B:0x0E] = bytes((status, high, low))
        before, I2C.reads = I2C.bursts, []
        assert found.angle() == angle and I2C.bursts == before + 1
    assert I2C.writes == [] and I2C.reads == []
    I2C.parts = {}
    desk.raises(OSError, found.angle)


def test_a_part_that_stays_in_reset_is_given_up():
    for address, part in ((0x68, mpu()), (0x6A, lsm())):
        part.self_clearing = (0, 0)
        fitted(address, part)
        assert "reset within" in desk.raises(OSError, imu.find, bus, 100)


desk.run(globals())
