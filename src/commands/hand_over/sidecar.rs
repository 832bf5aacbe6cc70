//! A sidecar: an XMP packet with what levels a frame.
//!
//! ISO 16684-1 (from memory): a packet is RDF/XML between two processing instructions. No standard property says by how much a
//! picture is to be developed brighter: Exif's ExposureBiasValue is what the camera was set to when it was shot. So all values
//! stand in a namespace of greyhold's own, and no other program's is written.

use std::io;

use quick_xml::Writer;
use quick_xml::events::{BytesPI, BytesText, Event};

use super::Levelled;
use super::list::in_stops;
use crate::outlet::plain::printable;

/// Names what stands in it for good: it never changes, and another meaning would be another namespace.
const OWN: &str = "urn:uuid:d09ca542-40ca-4b40-aa5f-ec900f6e24ab#";
const RDF: &str = "http://www.w3.org/1999/02/22-rdf-syntax-ns#";

/// The packet of one file. `written` is local time with its offset.
pub fn xmp(levelled: &Levelled, written: &str) -> String {
    let mut writer = Writer::new_with_indent(Vec::new(), b' ', 1);
    // Writing into memory has nothing to fail on.
    if let Err(e) = write(&mut writer, levelled, written) {
        tracing::warn!("a sidecar is not complete: {e}");
    }
    String::from_utf8_lossy(&writer.into_inner()).into_owned() + "\n"
}

fn write(writer: &mut Writer<Vec<u8>>, levelled: &Levelled, written: &str) -> io::Result<()> {
    let begin = "xpacket begin=\"\u{feff}\" id=\"W5M0MpCehiHzreSzNTczkc9d\"";
    writer.write_event(Event::PI(BytesPI::new(begin)))?;
    writer.create_element("rdf:RDF").with_attribute(("xmlns:rdf", RDF)).write_inner_content(|writer| {
        let description = writer.create_element("rdf:Description");
        description.with_attributes([("rdf:about", ""), ("xmlns:greyhold", OWN)]).write_inner_content(|writer| {
            for (name, value) in properties(levelled, written) {
                writer.create_element(name).write_text_content(BytesText::new(&value))?;
            }
            Ok(())
        })?;
        Ok(())
    })?;
    writer.write_event(Event::PI(BytesPI::new("xpacket end=\"r\"")))
}

fn properties(levelled: &Levelled, written: &str) -> Vec<(&'static str, String)> {
    let Levelled { file, frame, offset } = levelled;
    let sentence = frame.verdict.as_ref().map(|verdict| verdict.sentence.clone());
    let properties = [
        ("greyhold:ExposureOffset", Some(in_stops(offset.stops))),
        ("greyhold:ExposureOffsetUncertainty", Some(in_stops(offset.uncertainty))),
        ("greyhold:File", Some((*file).to_owned())),
        ("greyhold:ReferenceFile", frame.reference.clone()),
        ("greyhold:Look", frame.look.clone()),
        ("greyhold:Reason", sentence),
        ("greyhold:Written", Some(written.to_owned())),
    ];
    let of_xml = |text: String| printable(&text).chars().filter(|c| !matches!(c, '\u{fffe}' | '\u{ffff}')).collect();
    properties.into_iter().filter_map(|(name, value)| Some((name, of_xml(value?)))).collect()
}
