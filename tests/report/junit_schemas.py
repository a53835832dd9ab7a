"""Two widely used schemas of JUnit XML.

ANT_REPORTS is the one of the Apache Ant task's reports, a strict one: properties, time stamp, host name and
both outputs are required, in this order. It is written down from memory and is not the published file; what
does not concern a check of plans is left out, which makes it stricter.

BUILD_SERVERS is the file that build servers check against: junit-10.xsd, copyright Gregory Boissinot, MIT
licence, as pytest 9.2.0 has it among its own tests (`testing/example_scripts/junit-10.xsd`).
"""

from __future__ import annotations

from pathlib import Path

BUILD_SERVERS = (Path(__file__).parent / "junit-10.xsd").read_text(encoding="utf-8")

ANT_REPORTS = """\
<xs:schema xmlns:xs="http://www.w3.org/2001/XMLSchema" elementFormDefault="qualified">
  <xs:element name="testsuites">
    <xs:complexType>
      <xs:sequence>
        <xs:element name="testsuite" minOccurs="0" maxOccurs="unbounded">
          <xs:complexType>
            <xs:complexContent>
              <xs:extension base="testsuite">
                <xs:attribute name="package" type="xs:token" use="required"/>
                <xs:attribute name="id" type="xs:int" use="required"/>
              </xs:extension>
            </xs:complexContent>
          </xs:complexType>
        </xs:element>
      </xs:sequence>
    </xs:complexType>
  </xs:element>
  <xs:simpleType name="ISO8601_DATETIME_PATTERN">
    <xs:restriction base="xs:dateTime">
      <xs:pattern value="[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}"/>
    </xs:restriction>
  </xs:simpleType>
  <xs:simpleType name="pre-string">
    <xs:restriction base="xs:string"><xs:whiteSpace value="preserve"/></xs:restriction>
  </xs:simpleType>
  <xs:simpleType name="not-empty">
    <xs:restriction base="xs:token"><xs:minLength value="1"/></xs:restriction>
  </xs:simpleType>
  <xs:complexType name="outcome">
    <xs:simpleContent>
      <xs:extension base="pre-string">
        <xs:attribute name="message" type="xs:string"/>
        <xs:attribute name="type" type="xs:string" use="required"/>
      </xs:extension>
    </xs:simpleContent>
  </xs:complexType>
  <xs:complexType name="testsuite">
    <xs:sequence>
      <xs:element name="properties">
        <xs:complexType>
          <xs:sequence>
            <xs:element name="property" minOccurs="0" maxOccurs="unbounded">
              <xs:complexType>
                <xs:attribute name="name" type="not-empty" use="required"/>
                <xs:attribute name="value" type="xs:string" use="required"/>
              </xs:complexType>
            </xs:element>
          </xs:sequence>
        </xs:complexType>
      </xs:element>
      <xs:element name="testcase" minOccurs="0" maxOccurs="unbounded">
        <xs:complexType>
          <xs:choice minOccurs="0">
            <xs:element name="skipped">
              <xs:complexType>
                <xs:simpleContent>
                  <xs:extension base="pre-string">
                    <xs:attribute name="message" type="xs:string"/>
                  </xs:extension>
                </xs:simpleContent>
              </xs:complexType>
            </xs:element>
            <xs:element name="error" type="outcome"/>
            <xs:element name="failure" type="outcome"/>
          </xs:choice>
          <xs:attribute name="name" type="xs:token" use="required"/>
          <xs:attribute name="classname" type="xs:token" use="required"/>
          <xs:attribute name="time" type="xs:decimal" use="required"/>
        </xs:complexType>
      </xs:element>
      <xs:element name="system-out" type="pre-string"/>
      <xs:element name="system-err" type="pre-string"/>
    </xs:sequence>
    <xs:attribute name="name" type="not-empty" use="required"/>
    <xs:attribute name="timestamp" type="ISO8601_DATETIME_PATTERN" use="required"/>
    <xs:attribute name="hostname" type="not-empty" use="required"/>
    <xs:attribute name="tests" type="xs:int" use="required"/>
    <xs:attribute name="failures" type="xs:int" use="required"/>
    <xs:attribute name="errors" type="xs:int" use="required"/>
    <xs:attribute name="skipped" type="xs:int"/>
    <xs:attribute name="time" type="xs:decimal" use="required"/>
  </xs:complexType>
</xs:schema>
"""
