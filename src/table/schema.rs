//! The columns of a message's table.
//!
//! First the house columns, then the message's own fields under their published names, types and order:
//!
//! | column           | type            | meaning                                                          |
//! |------------------|-----------------|------------------------------------------------------------------|
//! | `boot`           | u16, nullable   | which start of the sender, counted from 0                        |
//! | `boot_ms`        | i64, nullable   | ms since that start; a lower bound where `boot_ms_latest` differs |
//! | `boot_ms_latest` | i64, nullable   | the upper bound                                                  |
//! | `capture_us`     | u64, nullable   | the recording computer's clock, µs Unix                          |
//! | `system_id`      | u32             | sender                                                           |
//! | `component_id`   | u8              | sender                                                           |
//! | `sequence`       | u8              | frame counter                                                    |
//! | `offset`         | u64             | place of the frame in the recording                              |
//!
//! A few messages have a field named like a house column (`sequence` in EVENT and LOGGING_DATA among others,
//! `offset` in one). The message keeps its own name and the house column of that table is called
//! `frame_sequence` or `frame_offset`.
//!
//! Sentinels stay as they are; each field's metadata says `unit`, `enum` and `invalid` where published.

use std::collections::HashMap;
use std::sync::Arc;

use arrow_schema::{DataType, Field as Column, Fields, Schema, SchemaRef};

use crate::wire::{Field, Message, Scalar};

/// Version of the columns above.
pub const TABLE_VERSION: &str = "1";

/// Metadata key of the version.
pub const TABLE_VERSION_KEY: &str = "fettle.table_version";

/// Put before a house column whose name the message uses itself.
const HOUSE_PREFIX: &str = "frame_";

/// The house columns: name, type, nullable.
const HOUSE: [(&str, DataType, bool); 8] = [
    ("boot", DataType::UInt16, true),
    ("boot_ms", DataType::Int64, true),
    ("boot_ms_latest", DataType::Int64, true),
    ("capture_us", DataType::UInt64, true),
    ("system_id", DataType::UInt32, false),
    ("component_id", DataType::UInt8, false),
    ("sequence", DataType::UInt8, false),
    ("offset", DataType::UInt64, false),
];

/// The schema of a message's table.
#[must_use]
pub fn schema(message: &Message) -> SchemaRef {
    let house = HOUSE.iter().map(|(name, kind, nullable)| {
        let name =
            if message.field(name).is_some() { format!("{HOUSE_PREFIX}{name}") } else { (*name).into() };
        Column::new(name, kind.clone(), *nullable)
    });
    let own = published_order(message).into_iter().map(|field| {
        let metadata = [("unit", &field.unit), ("enum", &field.enumeration), ("invalid", &field.invalid)]
            .into_iter()
            .filter(|(_, value)| !value.is_empty())
            .map(|(key, value)| (key.to_owned(), value.clone()))
            .collect();
        Column::new(&field.name, data_type(field), false).with_metadata(metadata)
    });
    let metadata = HashMap::from([
        ("message".to_owned(), message.name.clone()),
        ("id".to_owned(), message.id.to_string()),
        ("dialect".to_owned(), message.dialect.clone()),
        (TABLE_VERSION_KEY.to_owned(), TABLE_VERSION.to_owned()),
    ]);
    Arc::new(Schema::new_with_metadata(house.chain(own).collect::<Fields>(), metadata))
}

/// The fields as the definitions list them.
pub(super) fn published_order(message: &Message) -> Vec<&Field> {
    let mut fields: Vec<&Field> = message.fields.iter().collect();
    fields.sort_by_key(|field| field.definition_index);
    fields
}

/// The item of a list column.
pub(super) fn item(field: &Field) -> Arc<Column> {
    Arc::new(Column::new("item", scalar_type(field.kind), false))
}

fn data_type(field: &Field) -> DataType {
    match field.array {
        Some(len) if field.kind != Scalar::Char => DataType::FixedSizeList(item(field), i32::from(len)),
        _ => scalar_type(field.kind),
    }
}

fn scalar_type(kind: Scalar) -> DataType {
    match kind {
        Scalar::U8 => DataType::UInt8,
        Scalar::I8 => DataType::Int8,
        Scalar::U16 => DataType::UInt16,
        Scalar::I16 => DataType::Int16,
        Scalar::U32 => DataType::UInt32,
        Scalar::I32 => DataType::Int32,
        Scalar::U64 => DataType::UInt64,
        Scalar::I64 => DataType::Int64,
        Scalar::F32 => DataType::Float32,
        Scalar::F64 => DataType::Float64,
        Scalar::Char => DataType::Utf8,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::Definitions;

    #[test]
    fn no_table_has_two_columns_of_one_name() {
        for message in Definitions::builtin().messages() {
            let schema = schema(message);
            let mut names: Vec<_> = schema.fields().iter().map(|field| field.name()).collect();
            names.sort();
            names.dedup();
            assert_eq!(names.len(), HOUSE.len() + message.fields.len(), "{}", message.name);
        }
    }

    #[test]
    fn a_message_keeps_its_own_name_in_a_clash() {
        // `sequence` of EVENT: published definitions, common.xml.
        let schema = schema(Definitions::builtin().by_name("EVENT").unwrap());
        assert_eq!(schema.field_with_name("sequence").unwrap().data_type(), &DataType::UInt16);
        assert_eq!(schema.field_with_name("frame_sequence").unwrap().data_type(), &DataType::UInt8);
        assert_eq!(schema.field_with_name("offset").unwrap().data_type(), &DataType::UInt64);
    }

    #[test]
    fn says_unit_enumeration_and_sentinel() {
        let schema = schema(Definitions::builtin().by_name("BATTERY_STATUS").unwrap());
        let voltages = schema.field_with_name("voltages").unwrap();
        assert_eq!(voltages.metadata()["unit"], "mV");
        assert_eq!(voltages.metadata()["invalid"], "[UINT16_MAX]");
        assert!(matches!(voltages.data_type(), DataType::FixedSizeList(_, 10)));
        assert_eq!(schema.metadata()["id"], "147");
        assert_eq!(schema.metadata()[TABLE_VERSION_KEY], "1");
    }
}
