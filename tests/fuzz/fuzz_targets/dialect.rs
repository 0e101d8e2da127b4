//! Any text as a file of definitions that includes itself and two more: an error with a place in it, or messages
//! that keep to the limits and can be added to the built-in ones.
#![no_main]

use fettle::wire::Definitions;
use fettle::wire::dialect::{Dialect, Source};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &str| {
    let source = |name: &str| Source { name: name.to_owned(), text: data.to_owned() };
    let read = Dialect::read(source("top.xml"), &mut |_, include| match include {
        "a.xml" | "b.xml" | "top.xml" => Ok(source(include)),
        _ => Err("no such file".to_owned()),
    });
    match read {
        Ok(dialect) => {
            for message in &dialect.messages {
                assert!(message.full_len <= 255 && message.base_len <= message.full_len);
                assert!(!message.fields.is_empty() && message.name.len() <= 64);
            }
            let (definitions, conflicts) = Definitions::builtin().with_dialect(&dialect);
            assert!(conflicts.len() <= dialect.messages.len());
            for message in &dialect.messages {
                assert!(definitions.by_id(message.id).iter().any(|known| known.crc_extra == message.crc_extra));
            }
        }
        Err(error) => {
            assert!(error.line <= data.matches('\n').count() + 1, "{error}");
            assert!(error.column <= data.len() + 1, "{error}");
        }
    }
});
