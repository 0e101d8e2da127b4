//! One published message: its fields in wire order, its lengths and its CRC_EXTRA, all computed.

use super::crc;
use super::scalar::Scalar;

/// One message of the definitions.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Message {
    /// Message id, 24 bits.
    pub id: u32,
    /// Name in the definitions, such as `HEARTBEAT`.
    pub name: String,
    /// The dialect file that defines it.
    pub dialect: String,
    /// Index in [`messages`](super::Definitions::messages).
    pub slot: usize,
    /// Fields in wire order; [`Field::definition_index`] gives the published order.
    pub fields: Vec<Field>,
    /// Payload bytes without extensions: the payload length of version 1.
    pub base_len: usize,
    /// Payload bytes with all extensions.
    pub full_len: usize,
    /// Checksum of the base fields' names and types; the last byte of every frame's own checksum.
    pub crc_extra: u8,
}

/// One field of a message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Field {
    /// Name in the definitions.
    pub name: String,
    /// Type of the field, or of one element of an array.
    pub kind: Scalar,
    /// Number of elements of an array.
    pub array: Option<u8>,
    /// First byte in the zero-extended payload.
    pub offset: usize,
    /// Added after publication: absent in version 1 and from older senders, where it reads zero.
    pub extension: bool,
    /// Tells parallel series apart: a battery's id, a sensor's number.
    pub instance: bool,
    /// Unit as published, such as `degE7`; empty where none is stated.
    pub unit: String,
    /// Name of the enumeration of the values, or empty.
    pub enumeration: String,
    /// The sentinel as published, such as `UINT16_MAX` or `[NaN:]`; empty where none is stated.
    pub invalid: String,
    /// Place in the published order.
    pub definition_index: usize,
}

impl Message {
    /// Lays out fields given in published order.
    pub(super) fn new(id: u32, name: &str, dialect: &str, mut fields: Vec<Field>) -> Self {
        // Extensions stay where they are defined; the sort is stable, so equal sizes do too.
        fields.sort_by_key(|field| if field.extension { 8 } else { 8 - field.kind.size() });
        let mut offset = 0;
        let mut base_len = 0;
        for field in &mut fields {
            field.offset = offset;
            offset += field.len();
            if !field.extension {
                base_len = offset;
            }
        }
        let crc_extra = crc_extra(name, &fields);
        Self {
            id,
            name: name.to_owned(),
            dialect: dialect.to_owned(),
            slot: 0,
            fields,
            base_len,
            full_len: offset,
            crc_extra,
        }
    }

    /// The field of this name.
    #[must_use]
    pub fn field(&self, name: &str) -> Option<&Field> {
        self.fields.iter().find(|field| field.name == name)
    }
}

impl Field {
    /// Number of elements; one where the field is no array.
    #[must_use]
    pub fn elements(&self) -> usize {
        self.array.map_or(1, usize::from)
    }

    /// Bytes on the wire.
    #[must_use]
    #[expect(clippy::len_without_is_empty, reason = "no field is empty")]
    pub fn len(&self) -> usize {
        self.kind.size() * self.elements()
    }
}

/// The checksum of `NAME ` and, for each base field in wire order, `type name ` and an array's length.
fn crc_extra(name: &str, fields: &[Field]) -> u8 {
    let mut text = Vec::with_capacity(512);
    text.extend_from_slice(name.as_bytes());
    text.push(b' ');
    for field in fields.iter().filter(|field| !field.extension) {
        text.extend_from_slice(field.kind.name().as_bytes());
        text.push(b' ');
        text.extend_from_slice(field.name.as_bytes());
        text.push(b' ');
        text.extend(field.array);
    }
    let [low, high] = crc::checksum(&text).to_le_bytes();
    low ^ high
}
