//! What a hand should look at for each kind of finding, most likely first. Written from general trade
//! practice; torque values and wear limits are the manufacturer's.

/// Vibration rose, or accelerometers saturate.
pub const VIBRATION: &[&str] = &[
    "propellers: leading and trailing edges, tips and roots for nicks, cracks, dirt on one blade",
    "propeller seating and hub fasteners",
    "motor bearings: turn by hand, feel for grit and side play",
    "vibration isolators: soft, torn or missing; cables that bridge them",
    "boom and landing-gear clamps for play",
];

/// One motor's thrust fell.
pub const MOTOR_THRUST: &[&str] = &[
    "propeller of that position: damage, wrong part or pitch, mounted upside down, loose",
    "motor of that position: free rotation, bearing, magnets, bell fastener",
    "boom and motor mount of that position: square to the frame, not twisted",
    "ESC and motor wires of that position: connectors, discolouration",
];

/// One motor needs more current for its speed.
pub const MOTOR_DRAG: &[&str] = &[
    "motor bearing of that position: turn by hand, feel for drag, grit, side play",
    "propeller of that position: nicks, delamination, blade tracking",
    "rubbing: bell against stator, wires or debris under the propeller",
    "ESC of that position: temperature marks, timing, connectors",
];

/// Outputs are uneven, cause not told apart.
pub const UNEVEN: &[&str] = &[
    "payload and battery position against the usual place",
    "motors square to the frame; booms not rotated in their clamps",
    "propellers: right part in the right place, undamaged",
];

/// Yaw costs more than it should.
pub const YAW: &[&str] = &[
    "boom clamps: alignment marks, a boom rotated in its clamp",
    "motor mounts: square to the frame, fasteners",
    "folding joints: play, locks fully home",
    "propellers: right direction of rotation in each place",
];

/// The centre of gravity moved.
pub const BALANCE: &[&str] = &[
    "payload and battery position against the usual place",
    "mounts and rails that may have slipped",
    "propellers on that side: nicks, erosion, delamination, seating",
];
