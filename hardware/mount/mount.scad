// The printed mount of a sighting unit. One part at a time:  openscad -D 'part="body"' -o body.stl mount.scad
// Every part lies as it is printed: flat on the bed, without supports.
// The numbers below are the only ones; the drawings are made from the same lines. Millimetres.

part = "body"; // front_sight rear_sight body handle fork turntable base encoder_cap

tube_diameter = 20;        // outside; measure yours
tube_clearance = 0.4;      // on the diameter, for the sleeves of the sights
tube_length = 300;         // the tube itself
sight_distance = 250;      // from the rear peep to the front ring
sight_height = 36;         // of the line of sight above the tube's axis
sight_thickness = 3;       // of ring and peep plate
sleeve_length = 14;        // of a sight along the tube
front_ring_inside = 24;    // clear opening of the front ring
front_ring_outside = 32;   // outer edge of the front ring
hair_width = 1.2;          // cross-hairs: three lines of a 0.4 mm nozzle
rear_outside = 24;         // outer edge of the peep plate
peep_diameter = 4;         // the hole to look through: no lens, nothing in it
wall = 3;                  // walls everywhere
fit = 0.3;                 // gap on each side of a board in its pocket
board_length = 51;         // RP2040 board of 51 x 21 mm
board_width = 21;          // the same
imu_length = 26;           // the longest sensor board that fits; a shorter one is pushed against the rear wall
imu_width = 16;            // sensor board of about 20 x 16 mm; a LSM6DS board is often 17.8: set this
pocket_depth = 10;         // of the board's and the sensor's pocket
board_rise = 3;            // the board rests this high, room for solder
axis_to_body = 4;          // from the tube's axis to the flat underside of the body, and to the top of the handle
groove_roof = 2.4;         // least thickness above the groove
land_length = 12;          // at both ends of the body, for the cable ties
wing_width = 24;           // the flange that carries a button
wing_length = 40;          // the same, along the tube
wing_thickness = 4;        // the same
button_hole = 12.2;        // for a 12 mm push button
grip_thickness = 28;       // of the handle, across the tube
saddle_length = 48;        // of the handle where it meets the tube
pivot_depth = 95;          // from the tube's axis down to the elevation bolt
pivot_hole = 8.4;          // for an M8 bolt
pivot_height = 45;         // of the elevation bolt above the turntable
fork_length = 40;          // along the tube
fork_cheek = 7;            // thickness of a cheek
fork_floor = 7;            // thickness of the fork's floor
turntable_diameter = 72;   // the disc that turns on the base
turntable_thickness = 8;   // the same
shaft_diameter = 16;       // the azimuth axis
bearing_clearance = 0.4;   // on the diameter of the azimuth axis
bolt_offset = 14;          // of the two M4 bolts from the azimuth axis
plate_thickness = 8;       // of the base
foot_radius = 55;          // from the azimuth axis to a levelling bolt
nut_width = 10.4;          // across the flats of an M6 nut, with room
nut_depth = 5.2;           // of its trap
sleeve_diameter = 44;      // of the azimuth bearing, outside
bearing_length = 25;       // of the azimuth bearing below the plate
magnet_diameter = 6.1;     // 6 mm diametral magnet, with room
magnet_depth = 2.5;        // its height: it ends flush
shaft_recess = 0.5;        // from the end of the bearing to the magnet's face
encoder_width = 23.4;      // square magnetic encoder board of 23 mm, with room
encoder_depth = 4.1;       // from the end of the bearing down to the encoder board's underside
encoder_height = 3.1;      // board and chip together
cap_thickness = 7;         // of the encoder cap

$fn = 64;
e = 0.01;

groove_top = tube_diameter / sqrt(2) - axis_to_body;            // above the body's underside
pocket_floor = groove_top + groove_roof;
body_height = pocket_floor + pocket_depth;
body_width = board_width + 2 * fit + 2 * wall;
body_length = board_length + 2 * fit + imu_length + 3 * wall + 2 * land_length;

// A hole that lies on its side and needs no support: its roof rises at 45 degrees towards +y of the profile.
module teardrop(d) {
    circle(d = d);
    rotate(45) square(d / 2);
}

// ------------------------------------------------------------------ sights: the tube stands upright while printing
module sleeve_outline() {
    outside = tube_diameter + tube_clearance + 2 * wall;
    circle(d = outside);
    translate([-outside / 2, -outside / 2]) square([outside, outside / 2]);   // stands level on a table beside its twin
}

module sight(disc) {
    outside = tube_diameter + tube_clearance + 2 * wall;
    difference() {
        union() {
            linear_extrude(sleeve_length) sleeve_outline();
            linear_extrude(sleeve_length) translate([-4, 0]) square([8, sight_height - disc / 2 + 1]);
            linear_extrude(sight_thickness) translate([0, sight_height]) circle(d = disc);
        }
        translate([0, 0, -e]) cylinder(d = tube_diameter + tube_clearance, h = sleeve_length + 2 * e);
        translate([0, 0, sleeve_length / 2]) rotate([90, 0, 90]) linear_extrude(outside) teardrop(2.7);   // M3 clamping screw
    }
}

module front_sight() {
    difference() {
        sight(front_ring_outside);
        translate([0, sight_height, -e]) linear_extrude(sleeve_length + 2 * e) difference() {
            circle(d = front_ring_inside);
            square([hair_width, front_ring_inside + 2], center = true);
            square([front_ring_inside + 2, hair_width], center = true);
        }
    }
}

module rear_sight() {
    difference() {
        sight(rear_outside);
        translate([0, sight_height, -e]) cylinder(d = peep_diameter, h = sleeve_length + 2 * e);
    }
}

// ------------------------------------------------------------------ body: x forward, y left, z up, tube axis at z = -axis_to_body
module groove(length) {
    rotate([90, 0, 90]) linear_extrude(length)
        polygon([[-groove_top - 1, -1], [groove_top + 1, -1], [0, groove_top]]);
}

module arrow() {   // 8 mm long, along +x
    polygon([[0, -0.6], [5, -0.6], [5, -1.8], [8, 0], [5, 1.8], [5, 0.6], [0, 0.6]]);
}

module body() {
    imu_x = land_length + wall;                  // rear wall of the sensor's pocket
    board_x = imu_x + imu_length + wall;
    board_room = board_length + 2 * fit;
    imu_room = imu_width + 2 * fit;
    difference() {
        union() {
            translate([0, -body_width / 2, 0]) cube([body_length, body_width, pocket_floor]);
            translate([land_length, -body_width / 2, 0]) cube([body_length - 2 * land_length, body_width, body_height]);
            for (side = [-1, 1])
                translate([body_length / 2 - wing_length / 2, side > 0 ? 0 : -body_width / 2 - wing_width, 0])
                    cube([wing_length, body_width / 2 + wing_width, wing_thickness]);
        }
        translate([-e, 0, 0]) groove(body_length + 2 * e);
        translate([imu_x, -imu_room / 2, pocket_floor]) cube([imu_length, imu_room, pocket_depth + e]);
        difference() {
            translate([board_x, -board_width / 2 - fit, pocket_floor]) cube([board_room, board_width + 2 * fit, pocket_depth + e]);
            for (end = [board_x - e, board_x + board_room - 2])
                translate([end, -board_width / 2 - fit - e, pocket_floor - e]) cube([2 + e, board_width + 2 * fit + 2 * e, board_rise + e]);
        }
        // wires between the pockets, to the buttons, and the USB plug at the front
        translate([board_x - wall - e, -4, pocket_floor + board_rise]) cube([wall + 3, 8, pocket_depth]);
        translate([body_length / 2 - 5, -body_width / 2 - e, body_height - 4]) cube([10, body_width + 2 * e, 4 + e]);
        translate([board_x + board_room - e, -6.5, pocket_floor + board_rise - 1]) cube([wall + 2 * e, 13, pocket_depth]);
        // the axes, cut into the rim beside the sensor: x forward, y left
        translate([imu_x + 9, -imu_room / 2 - 2.8, body_height - 0.6]) linear_extrude(1) arrow();
        translate([imu_x + 4, imu_room / 2 + 0.6, body_height - 0.6]) rotate([0, 0, 90]) scale([0.5, 1, 1]) linear_extrude(1) arrow();
        // cable ties over the lands
        for (x = [land_length / 2 - 2.5, body_length - land_length / 2 - 2.5])
            translate([x, -body_width / 2 - e, pocket_floor - 1]) cube([5, body_width + 2 * e, 1 + e]);
        for (side = [-1, 1])
            translate([body_length / 2, side * (body_width + wing_width) / 2, -e]) cylinder(d = button_hole, h = wing_thickness + 2 * e);
    }
}

// ------------------------------------------------------------------ handle: lies on its side; profile x forward, y up, tube axis at y = 0
module handle() {
    difference() {
        linear_extrude(grip_thickness) difference() {
            hull() {
                translate([-saddle_length / 2, -axis_to_body - 24]) square([saddle_length, 24]);
                translate([0, -pivot_depth]) circle(d = 34);
            }
            translate([0, -pivot_depth]) circle(d = pivot_hole);
            for (x = [-saddle_length / 2 + 8, saddle_length / 2 - 8]) translate([x, -axis_to_body - 16]) square([5, 2.5], center = true);
        }
        translate([-saddle_length / 2 - e, -axis_to_body, grip_thickness / 2]) rotate([-90, 0, 0]) mirror([0, 0, 1]) groove(saddle_length + 2 * e);
    }
}

// ------------------------------------------------------------------ fork: stands on the end that looks forward; profile x across, y up
module fork() {
    inside = grip_thickness + 0.6;
    outside = inside + 2 * fork_cheek;
    difference() {
        linear_extrude(fork_length) difference() {
            translate([-outside / 2, 0]) square([outside, pivot_height + 15]);
            translate([-inside / 2, fork_floor]) square([inside, pivot_height + 15]);
        }
        translate([-outside, pivot_height, fork_length / 2]) rotate([90, 0, 90]) linear_extrude(2 * outside) teardrop(pivot_hole);
        for (z = [-bolt_offset, bolt_offset])
            translate([0, -e, fork_length / 2 + z]) mirror([0, 1, 0]) rotate([90, 0, 0]) linear_extrude(fork_floor + 2 * e) teardrop(4.4);
    }
}

// ------------------------------------------------------------------ azimuth: disc down, shaft up
module turntable() {
    shaft = plate_thickness + bearing_length - shaft_recess;
    difference() {
        union() {
            cylinder(d = turntable_diameter, h = turntable_thickness);
            cylinder(d = shaft_diameter, h = turntable_thickness + shaft);
        }
        translate([0, 0, turntable_thickness + shaft - magnet_depth]) cylinder(d = magnet_diameter, h = magnet_depth + e);
        for (x = [-bolt_offset, bolt_offset]) translate([x, 0, 0]) {
            translate([0, 0, -e]) cylinder(d = 4.4, h = turntable_thickness + 2 * e);
            translate([0, 0, turntable_thickness - 4.5]) cylinder(d = 8.4, h = 4.5 + e);   // the heads must not rub on the base
        }
    }
}

module base() {
    difference() {
        union() {
            linear_extrude(plate_thickness) hull() {
                circle(d = turntable_diameter);
                for (a = [0, 120, 240]) rotate(a) translate([foot_radius, 0]) circle(d = 26);
            }
            cylinder(d = sleeve_diameter, h = plate_thickness + bearing_length);
        }
        translate([0, 0, -e]) cylinder(d = shaft_diameter + bearing_clearance, h = plate_thickness + bearing_length + 2 * e);
        for (a = [0, 120, 240]) rotate(a) translate([foot_radius, 0, 0]) {
            translate([0, 0, -e]) cylinder(d = 6.6, h = plate_thickness + 2 * e);
            translate([0, 0, plate_thickness - nut_depth]) cylinder(d = nut_width / cos(30), h = nut_depth + e, $fn = 6);
        }
        for (a = [0 : 90 : 270]) rotate(a) translate([18, 0, plate_thickness + bearing_length - 10]) cylinder(d = 2.2, h = 10 + e);
    }
}

module encoder_cap() {
    difference() {
        cylinder(d = sleeve_diameter, h = cap_thickness);
        translate([-encoder_width / 2, -encoder_width / 2, cap_thickness - encoder_depth]) cube([encoder_width, encoder_width, encoder_depth + e]);
        rotate(45) translate([0, -4, cap_thickness - encoder_depth]) cube([sleeve_diameter, 8, encoder_depth + e]);   // the four wires
        for (a = [0 : 90 : 270]) rotate(a) translate([18, 0, -e]) cylinder(d = 2.8, h = cap_thickness + 2 * e);
    }
}

if (part == "front_sight") front_sight();
else if (part == "rear_sight") rear_sight();
else if (part == "body") body();
else if (part == "handle") handle();
else if (part == "fork") fork();
else if (part == "turntable") turntable();
else if (part == "base") base();
else if (part == "encoder_cap") encoder_cap();
else assert(false, str("no such part: ", part));
