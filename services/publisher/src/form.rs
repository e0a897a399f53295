//! What a page's form sends.

use crate::display::Group;
use crate::{Decimal, Display};

/// The fields of a form, `application/x-www-form-urlencoded`, in order.
#[derive(Debug, Default, Clone)]
pub(crate) struct Form(Vec<(String, String)>);

impl Form {
    /// Reads a body. Line ends become plain: browsers send CRLF (HTML Standard, "constructing the entry list").
    pub(crate) fn read(body: &[u8]) -> Self {
        let fields = form_urlencoded::parse(body);
        Form(fields.map(|(name, value)| (name.into_owned(), value.replace("\r\n", "\n"))).collect())
    }

    /// All fields in order.
    pub(crate) fn fields(&self) -> impl Iterator<Item = (&str, &str)> {
        self.0.iter().map(|(name, value)| (name.as_str(), value.as_str()))
    }

    /// In which style the numbers of the form are typed: as it says itself, for it was shown in that style. One that is not
    /// the reader's is not known to set thousands apart by a mark.
    pub(crate) fn style(&self, reader: Display) -> (Decimal, Group) {
        let decimal = Decimal::named(self.get("decimal")).unwrap_or(reader.decimal);
        (decimal, if decimal == reader.decimal { reader.group } else { Group::None })
    }

    /// The first value of a field, empty if it was not sent.
    pub(crate) fn get(&self, name: &str) -> &str {
        self.0.iter().find(|(own, _)| own == name).map_or("", |(_, value)| value)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_are_decoded() {
        // URL Standard, application/x-www-form-urlencoded parsing: plus is a space, %XX a byte of UTF-8.
        let form = Form::read(b"note=a+b%26c%0D%0Ad&why=%C3%A4&empty=&why=second");
        assert_eq!((form.get("note"), form.get("why")), ("a b&c\nd", "\u{e4}"));
        assert_eq!((form.get("empty"), form.get("absent")), ("", ""));
    }
}
