//! XML read at run time: the published files against the built-in table, which an independent script has counted
//! (`wire_definitions.rs`), and everything that can be wrong with a file.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test stops at the first surprise"
)]

mod wire_support;

use std::collections::HashMap;
use std::path::PathBuf;

use fettle::wire::dialect::{Dialect, DialectError, DialectFile, Source};
use fettle::wire::{Definitions, Scanner};

/// The published XML, which comes with the package of the independent crate.
fn published() -> PathBuf {
    let metadata = cargo_metadata::MetadataCommand::new().exec().unwrap();
    let package = metadata.packages.iter().find(|package| package.name.as_str() == "mavlink").unwrap();
    package.manifest_path.parent().unwrap().join("mavlink/message_definitions/v1.0").into()
}

fn texts() -> Vec<(String, String)> {
    let mut texts: Vec<_> = std::fs::read_dir(published())
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "xml"))
        .map(|path| {
            let name = path.file_name().unwrap().to_str().unwrap().to_owned();
            (name, std::fs::read_to_string(path).unwrap())
        })
        .collect();
    texts.sort();
    texts
}

/// Reads files that are only texts; `top.xml` first.
fn read(files: &[(&str, &str)]) -> Result<Dialect, DialectError> {
    let files: HashMap<&str, &str> = files.iter().copied().collect();
    let source = |name: &str| {
        let text = files.get(name).ok_or_else(|| "no such file".to_owned())?;
        Ok(Source { name: name.to_owned(), text: (*text).to_owned() })
    };
    Dialect::read(source("top.xml").unwrap(), &mut |_, include| source(include))
}

fn message(body: &str) -> String {
    format!(
        "<mavlink>\n<messages>\n<message id=\"900000\" name=\"PROBE\">{body}</message>\n</messages>\n</mavlink>"
    )
}

#[test]
fn every_published_file_reads_as_the_built_in_table() {
    let mut messages = 0;
    for (name, text) in texts() {
        for (read, _) in DialectFile::parse(&name, &text).unwrap().messages {
            let known = Definitions::builtin()
                .by_id(read.id)
                .iter()
                .find(|known| known.dialect == read.dialect)
                .unwrap_or_else(|| panic!("{name}: {}", read.name));
            assert_eq!(fettle::wire::Message { slot: known.slot, ..read }, *known, "{name}");
            messages += 1;
        }
    }
    assert_eq!(messages, 397);
}

#[test]
fn the_dialect_of_all_includes_adds_nothing() {
    let folder = published();
    let mut load = |_: &str, include: &str| {
        let text = std::fs::read_to_string(folder.join(include)).map_err(|error| error.to_string())?;
        Ok(Source { name: include.to_owned(), text })
    };
    let top = load("", "all.xml").unwrap();
    let dialect = Dialect::read(top, &mut load).unwrap();
    // 392 ids by the independent script; some dialects are left out of all.xml.
    assert!((380..=392).contains(&dialect.messages.len()), "{}", dialect.messages.len());
    let (definitions, conflicts) = Definitions::builtin().with_dialect(&dialect);
    assert_eq!(conflicts, []);
    assert_eq!(definitions.messages(), Definitions::builtin().messages());
    assert_eq!(definitions.enumeration("MAV_TYPE"), Definitions::builtin().enumeration("MAV_TYPE"));
}

#[test]
fn reads_extensions_arrays_units_sentinels_and_enums() {
    let dialect = read(&[
        ("top.xml", &format!("<mavlink><include> base.xml </include>{}", &message(
            r#"<description>Prose &amp; more</description>
            <field type="uint8_t" name="id" instance="true">a</field>
            <field type="uint64_t" name="time_usec" units="us">b</field>
            <field type="int16_t[4]" name="temps" units="cdegC" invalid="[INT16_MAX]">c</field>
            <extensions/>
            <field type="uint8_t_mavlink_version" name="version"/>
            <field type="double" name="late" enum="PROBE_KIND"/>"#,
        )[9..])),
        ("base.xml", r#"<mavlink><enums><enum name="PROBE_KIND" bitmask="true"><entry name="A" value="0x10"/>
            <entry name="B"/><entry name="C" value="2**5"><description>c</description></entry></enum></enums></mavlink>"#),
    ])
    .unwrap();
    let [probe] = &dialect.messages[..] else { panic!("one message") };
    let layout: Vec<_> = probe.fields.iter().map(|field| (field.name.as_str(), field.offset)).collect();
    // Base fields by size, extensions as defined: the protocol guide's rule, worked out by hand.
    assert_eq!(layout, [("time_usec", 0), ("temps", 8), ("id", 16), ("version", 17), ("late", 18)]);
    assert_eq!((probe.base_len, probe.full_len), (17, 26));
    assert_eq!((probe.dialect.as_str(), probe.id), ("top", 900000));
    assert!(probe.field("id").unwrap().instance && probe.field("late").unwrap().extension);
    assert_eq!(probe.field("temps").unwrap().array, Some(4));
    assert_eq!(probe.field("temps").unwrap().invalid, "[INT16_MAX]");
    let (definitions, conflicts) = Definitions::builtin().with_dialect(&dialect);
    assert_eq!(conflicts, []);
    let kinds = definitions.enumeration("PROBE_KIND").unwrap();
    assert!(kinds.bitmask);
    assert_eq!(kinds.entries, [(16, "A".to_owned()), (17, "B".to_owned()), (32, "C".to_owned())]);
    assert_eq!(definitions.by_id(900000)[0].name, "PROBE");
    assert_eq!(definitions.messages()[definitions.by_id(900000)[0].slot].name, "PROBE");
}

#[test]
fn frames_of_an_added_message_are_read() {
    let dialect = read(&[("top.xml", &message(r#"<field type="uint16_t" name="value"/>"#))]).unwrap();
    // CRC_EXTRA by the independent crate's checksum over the text that the guide states.
    let crc = mavlink::calculate_crc(b"PROBE uint16_t value", b' ');
    let extra = (crc ^ crc >> 8) as u8;
    let frame = wire_support::by_hand(0, &[1], 900000, &[7, 1], extra, &[]);
    let (definitions, _) = Definitions::builtin().with_dialect(&dialect);
    let mut names = Vec::new();
    Scanner::new(&definitions).scan(&frame, true, &mut |frame| {
        names.push(frame.message.map(|message| message.name.clone()));
    });
    assert_eq!(names, [Some("PROBE".to_owned())]);
}

#[test]
fn clashes_with_built_in_messages_are_named_and_both_kept() {
    let clash = |id: u32, name: &str, field: &str| {
        read(&[(
            "top.xml",
            &format!(
                "<mavlink><messages><message id=\"{id}\" name=\"{name}\"><field type=\"uint8_t\" name=\"{field}\"/>\
                 </message></messages></mavlink>"
            ),
        )])
        .unwrap()
    };
    let (definitions, conflicts) = Definitions::builtin().with_dialect(&clash(30, "TILT", "angle"));
    assert_eq!(
        conflicts[0].to_string(),
        "top defines message 30 TILT, which clashes with 30 ATTITUDE of common"
    );
    let names: Vec<_> = definitions.by_id(30).iter().map(|message| message.name.as_str()).collect();
    assert_eq!(names, ["ATTITUDE", "TILT"]);
    assert_eq!(definitions.by_name("ATTITUDE").unwrap().fields.len(), 7);

    let (definitions, conflicts) = Definitions::builtin().with_dialect(&clash(900001, "ATTITUDE", "angle"));
    assert_eq!((conflicts.len(), conflicts[0].known_id), (1, 30));
    assert_eq!(definitions.by_id(900001)[0].name, "ATTITUDE_top");
    assert_eq!(definitions.by_name("ATTITUDE").unwrap().id, 30);
}

#[test]
fn a_newer_definition_with_more_extensions_takes_the_place() {
    let (_, text) = texts().into_iter().find(|(name, _)| name == "common.xml").unwrap();
    let at = text.find("<message id=\"241\"").unwrap();
    let end = text[at..].find("</message>").unwrap();
    let newer = format!(
        "<mavlink><messages>{}<extensions/><field type=\"float\" name=\"more\"/></message></messages></mavlink>",
        &text[at..at + end]
    );
    let (definitions, conflicts) =
        Definitions::builtin().with_dialect(&read(&[("top.xml", &newer)]).unwrap());
    assert_eq!(conflicts, []);
    assert_eq!((definitions.by_id(241).len(), definitions.by_id(241)[0].full_len), (1, 36));
    // The same base fields with other extensions behind: frames cannot tell, so the known one is kept.
    let other = newer.replace("name=\"more\"", "name=\"other\"");
    let (definitions, conflicts) = definitions.with_dialect(&read(&[("top.xml", &other)]).unwrap());
    assert_eq!(conflicts.len(), 1);
    assert!(conflicts[0].ambiguous && conflicts[0].known == "VIBRATION", "{conflicts:?}");
    assert!(definitions.by_id(241)[0].field("more").is_some());
}

#[test]
fn says_what_is_wrong_and_where() {
    let long =
        format!("<field type=\"float[63]\" name=\"a\"/><field type=\"float\" name=\"{}\"/>", "b".repeat(65));
    for (body, line, problem) in [
        ("", 3, "no field"),
        ("<field type=\"uint8\" name=\"a\"/>", 3, "unknown type uint8"),
        ("\n<field type=\"uint8_t\" name=\"a b\"/>", 4, "only letters"),
        ("\n<field type=\"uint8_t\" name=\"../x\"/>", 4, "only letters"),
        ("\n<field type=\"uint8_t\"/>", 4, "attribute name is missing"),
        ("<field type=\"uint8_t[0]\" name=\"a\"/>", 3, "1 to 255"),
        ("<field type=\"uint8_t[300]\" name=\"a\"/>", 3, "1 to 255"),
        ("<field type=\"double[32]\" name=\"a\"/>", 3, "more than 255 bytes"),
        ("<field type=\"char\" name=\"a\"/>\n<field type=\"char\" name=\"a\"/>", 4, "second field a"),
        ("<field type=\"char\" name=\"a\"/><extensions/>\n<extensions/>", 4, "second <extensions/>"),
        ("<field type=\"char\" name=\"a\">", 3, "field"),
        (&long, 3, "at most 64 characters"),
    ] {
        let error = read(&[("top.xml", &message(body))]).unwrap_err();
        assert_eq!((error.file.as_str(), error.line), ("top.xml", line), "{body}: {error}");
        assert!(error.problem.contains(problem), "{body}: {error}");
        assert!(error.column >= 1);
    }
    for (files, text) in [
        (
            vec![("top.xml", "<mavlink>\n  <include>gone.xml</include></mavlink>")],
            "top.xml:2:3: cannot include gone.xml: no such file",
        ),
        (
            vec![
                ("top.xml", "<mavlink><include>a.xml</include></mavlink>"),
                ("a.xml", "<mavlink><include>top.xml</include></mavlink>"),
            ],
            "a.xml:1:10: top.xml includes itself: top.xml → a.xml → top.xml",
        ),
        (
            vec![("top.xml", "<mavlink><messages><message id=\"16777216\" name=\"A\">")],
            "16777216 is no number from 0 to 16777215",
        ),
        (vec![("top.xml", "<mavlink><messages><message id=\"1\" name=\"A\">")], "ends inside a definition"),
        (vec![("top.xml", "")], "no <mavlink> element"),
        (vec![("top.xml", "the log of a card that went into the wrong option")], "no <mavlink> element"),
        (vec![("top.xml", "<html><body/></html>")], "no <mavlink> element"),
        (
            vec![(
                "top.xml",
                "<mavlink><enums><enum name=\"E\"><entry name=\"X\" value=\"-1\"/></enum></enums></mavlink>",
            )],
            "value -1 of X",
        ),
        (vec![("top.xml", "<mavlink><field type=\"char\" name=\"a\"/></mavlink>")], "outside a message"),
    ] {
        let error = read(&files).unwrap_err().to_string();
        assert!(error.contains(text), "{error}");
    }
    let one = message("<field type=\"char\" name=\"a\"/>");
    let twice = format!("<mavlink><include>b.xml</include>{}", &one[9..]);
    let error = read(&[("top.xml", &twice), ("b.xml", &one)]).unwrap_err();
    assert!(error.to_string().contains("id 900000 is defined already, by PROBE in b.xml"), "{error}");
}

#[test]
fn a_file_included_twice_counts_once() {
    let one = message("<field type=\"char\" name=\"a\"/>");
    let dialect = read(&[
        ("top.xml", "<mavlink><include>a.xml</include><include>b.xml</include></mavlink>"),
        ("a.xml", "<mavlink><include>b.xml</include></mavlink>"),
        ("b.xml", &one),
    ])
    .unwrap();
    assert_eq!(dialect.messages.len(), 1);
}
