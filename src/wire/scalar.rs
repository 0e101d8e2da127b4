//! The element types of message fields.

/// Type of one element of a field.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Scalar {
    /// `uint8_t`
    U8,
    /// `int8_t`
    I8,
    /// `uint16_t`
    U16,
    /// `int16_t`
    I16,
    /// `uint32_t`
    U32,
    /// `int32_t`
    I32,
    /// `uint64_t`
    U64,
    /// `int64_t`
    I64,
    /// `float`
    F32,
    /// `double`
    F64,
    /// `char`: text where it is an array
    Char,
}

/// Every type with the name it has in the definitions, which is also what CRC_EXTRA is computed from.
const NAMES: [(Scalar, &str); 11] = [
    (Scalar::U8, "uint8_t"),
    (Scalar::I8, "int8_t"),
    (Scalar::U16, "uint16_t"),
    (Scalar::I16, "int16_t"),
    (Scalar::U32, "uint32_t"),
    (Scalar::I32, "int32_t"),
    (Scalar::U64, "uint64_t"),
    (Scalar::I64, "int64_t"),
    (Scalar::F32, "float"),
    (Scalar::F64, "double"),
    (Scalar::Char, "char"),
];

impl Scalar {
    /// The type of this name in the definitions.
    #[must_use]
    pub fn by_name(name: &str) -> Option<Self> {
        NAMES.iter().find(|(_, known)| *known == name).map(|(scalar, _)| *scalar)
    }

    /// The name in the definitions.
    #[must_use]
    pub fn name(self) -> &'static str {
        NAMES.iter().find(|(scalar, _)| *scalar == self).map_or("", |(_, name)| name)
    }

    /// Bytes of one element.
    #[must_use]
    pub fn size(self) -> usize {
        match self {
            Self::U8 | Self::I8 | Self::Char => 1,
            Self::U16 | Self::I16 => 2,
            Self::U32 | Self::I32 | Self::F32 => 4,
            Self::U64 | Self::I64 | Self::F64 => 8,
        }
    }
}
