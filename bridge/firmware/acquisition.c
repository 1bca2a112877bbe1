/*
 * Raw samples of one to six analog inputs, over the serial port, for ATmega328P-class microcontrollers.
 *
 * A timer starts each scan of the inputs, so the rate is the crystal's; there is no filter on board. The
 * samples go out in numbered frames (or as text lines), a hello at start and every second says what they
 * are. README.md beside this file has the frame format, the commands and the line budget.
 */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdbool.h>
#include <stdint.h>
#include <string.h>
#include <util/crc16.h>

#ifndef BAUD
#define BAUD 250000UL
#endif
#define BAUD_TOL 3 /* per cent; 115200 at 16 MHz is 2.1 off, which receivers tolerate */
#include <util/setbaud.h>

#ifndef REFERENCE_MV
#define REFERENCE_MV 5000 /* what AVCC really is, in millivolts */
#endif

#define VERSION 1
#define BITS 10
#define MOST_CHANNELS 6
#define TICKS_PER_SECOND (F_CPU / 8) /* of timer 1 */

enum { TYPE_HELLO = 'H', TYPE_SAMPLE = 'S' };
enum { STATUS_RUNNING, STATUS_STARTED, STATUS_UNKNOWN, STATUS_LINE_TOO_SLOW };

/* ---- settings, changed only while the timer stands still ---- */

static uint8_t channels = 1;
static uint16_t rate_hz = 250;
static bool text_mode = false;

/* ---- samples: written by interrupts, read by the main loop; one slot always stays empty ---- */

#define SLOTS 8
static volatile uint16_t slot_value[SLOTS][MOST_CHANNELS];
static volatile uint16_t slot_number[SLOTS];
static volatile uint8_t slot_head, slot_tail;
static volatile uint8_t scan_position;
static volatile bool scanning;
static volatile uint16_t sample_number; /* of the scan that is next or under way */
static volatile uint16_t scans_since_hello;

static void convert(uint8_t input)
{
    ADMUX = _BV(REFS0) | input; /* AVCC is the reference */
    ADCSRA |= _BV(ADSC);
}

/* Start a scan. This comes first in the period so that conversions are evenly spaced. */
ISR(TIMER1_COMPA_vect)
{
    if (scanning) { /* cannot happen at the rates offered; if it does, the number shows the loss */
        sample_number++;
        return;
    }
    convert(0);
    scanning = true;
    scan_position = 0;
    scans_since_hello++;
}

ISR(ADC_vect)
{
    uint8_t head = slot_head;
    uint8_t position = scan_position;

    slot_value[head][position] = ADC;
    if (++position < channels) {
        scan_position = position;
        convert(position);
        return;
    }
    slot_number[head] = sample_number++;
    head = (uint8_t)(head + 1) % SLOTS;
    if (head != slot_tail) /* else the line is behind: this sample is lost and its number missing */
        slot_head = head;
    scanning = false;
}

/* ---- serial port: a byte queue each way, indices wrap by themselves ---- */

static volatile uint8_t out_bytes[256];
static volatile uint8_t out_head, out_tail;
static volatile uint8_t in_bytes[32];
static volatile uint8_t in_head, in_tail;

ISR(USART_UDRE_vect)
{
    uint8_t tail = out_tail;

    UDR0 = out_bytes[tail++];
    out_tail = tail;
    if (tail == out_head)
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
}

ISR(USART_RX_vect)
{
    uint8_t next = (uint8_t)(in_head + 1) % sizeof in_bytes;
    uint8_t byte = UDR0;

    if (next != in_tail) {
        in_bytes[in_head] = byte;
        in_head = next;
    }
}

/* Whole or not at all: half a frame is worth nothing. Samples leave room for a hello. */
#define HELLO_ROOM 24

static void send(const uint8_t *bytes, uint8_t count, uint8_t room)
{
    uint8_t head = out_head;

    if ((uint8_t)(out_tail - head - 1) < (uint8_t)(count + room))
        return;
    while (count--)
        out_bytes[head++] = *bytes++;
    out_head = head;
    UCSR0B |= _BV(UDRIE0);
}

/* ---- frames: 0, COBS of (type, body, CRC-16 of both), 0 ---- */

#define MOST_RAW 20

static void send_frame(uint8_t *raw, uint8_t count, uint8_t room)
{
    uint8_t framed[MOST_RAW + 3];
    uint8_t code_at = 1, at = 2;
    uint16_t crc = 0xFFFF;

    for (uint8_t i = 0; i < count; i++)
        crc = _crc_xmodem_update(crc, raw[i]);
    raw[count++] = (uint8_t)crc;
    raw[count++] = (uint8_t)(crc >> 8);

    framed[0] = 0;
    for (uint8_t i = 0; i < count; i++) {
        if (raw[i] == 0) {
            framed[code_at] = (uint8_t)(at - code_at);
            code_at = at++;
        } else {
            framed[at++] = raw[i];
        }
    }
    framed[code_at] = (uint8_t)(at - code_at);
    framed[at++] = 0;
    send(framed, at, room);
}

static uint8_t *put16(uint8_t *to, uint16_t value)
{
    *to++ = (uint8_t)value;
    *to++ = (uint8_t)(value >> 8);
    return to;
}

static void send_hello(uint8_t status)
{
    uint8_t raw[MOST_RAW];
    uint8_t *to = raw;
    uint16_t number;

    cli();
    number = sample_number;
    scans_since_hello = 0;
    sei();
    *to++ = TYPE_HELLO;
    memcpy(to, "bio", 3);
    to += 3;
    *to++ = VERSION;
    *to++ = status;
    *to++ = channels;
    *to++ = BITS;
    to = put16(to, rate_hz);
    to = put16(to, REFERENCE_MV);
    to = put16(to, (uint16_t)(BAUD / 100));
    to = put16(to, number);
    send_frame(raw, (uint8_t)(to - raw), 0);
}

static uint8_t *put_decimal(uint8_t *to, uint16_t value)
{
    bool begun = false;

    for (uint16_t power = 1000; power; power /= 10) {
        uint8_t digit = '0';
        while (value >= power) {
            value -= power;
            digit++;
        }
        if (digit != '0' || begun || power == 1) {
            *to++ = digit;
            begun = true;
        }
    }
    return to;
}

static void send_sample(uint8_t slot)
{
    uint8_t raw[5 * MOST_CHANNELS + 2];
    uint8_t *to = raw;

    if (text_mode) {
        for (uint8_t i = 0; i < channels; i++) {
            if (i)
                *to++ = ',';
            to = put_decimal(to, slot_value[slot][i]);
        }
        *to++ = '\r';
        *to++ = '\n';
        send(raw, (uint8_t)(to - raw), HELLO_ROOM);
        return;
    }
    *to++ = TYPE_SAMPLE;
    to = put16(to, slot_number[slot]);
    for (uint8_t i = 0; i < channels; i++)
        to = put16(to, slot_value[slot][i]);
    send_frame(raw, (uint8_t)(to - raw), HELLO_ROOM);
}

/* ---- commands: lines of text, answered by a hello ---- */

/* Ten bits a byte on the line; a twentieth stays free for the hello and for clocks that differ. */
static bool line_carries(uint16_t hz, uint8_t count, bool text)
{
    uint16_t bytes = text ? count * 5U + 1 : count * 2U + 8;

    return (uint32_t)hz * bytes * 10 <= (uint32_t)BAUD / 20 * 19;
}

static void run(void)
{
    TCCR1B = 0; /* stop, then wait for the scan that may be under way */
    while (scanning)
        ;
    cli();
    slot_tail = slot_head;
    sample_number = 0;
    OCR1A = (uint16_t)(TICKS_PER_SECOND / rate_hz - 1);
    TCNT1 = 0;
    TIFR1 = _BV(OCF1A);
    TCCR1B = _BV(WGM12) | _BV(CS11); /* clear on compare, clock divided by 8 */
    sei();
}

static uint16_t parse_number(const char *text)
{
    uint16_t value = 0;

    while (*text >= '0' && *text <= '9' && value < 6000)
        value = (uint16_t)(value * 10 + (uint16_t)(*text++ - '0'));
    return *text ? 0 : value;
}

static uint8_t obey(const char *command)
{
    uint16_t hz = rate_hz;
    uint8_t count = channels;
    bool text = text_mode;

    if (!strcmp(command, "hello"))
        return STATUS_RUNNING;
    if (!strcmp(command, "text"))
        text = true;
    else if (!strcmp(command, "frames"))
        text = false;
    else if (!strncmp(command, "rate ", 5)) {
        hz = parse_number(command + 5);
        if (hz != 125 && hz != 250 && hz != 500 && hz != 1000)
            return STATUS_UNKNOWN;
    } else if (!strncmp(command, "channels ", 9)) {
        uint16_t number = parse_number(command + 9);
        if (number < 1 || number > MOST_CHANNELS)
            return STATUS_UNKNOWN;
        count = (uint8_t)number;
    } else
        return STATUS_UNKNOWN;

    if (!line_carries(hz, count, text))
        return STATUS_LINE_TOO_SLOW;
    if (hz == rate_hz && count == channels && text == text_mode)
        return STATUS_RUNNING;
    TCCR1B = 0;
    while (scanning)
        ;
    rate_hz = hz;
    channels = count;
    text_mode = text;
    run();
    return STATUS_STARTED;
}

static void poll_commands(void)
{
    static char line[16];
    static uint8_t length;

    while (in_tail != in_head) {
        char byte = (char)in_bytes[in_tail];
        in_tail = (uint8_t)(in_tail + 1) % sizeof in_bytes;
        if (byte == '\n' || byte == '\r') {
            if (length && length < sizeof line) {
                line[length] = 0;
                send_hello(obey(line));
            }
            length = 0;
        } else if (length < sizeof line) {
            line[length++] = byte;
        }
    }
}

int main(void)
{
#if USE_2X
    UCSR0A = _BV(U2X0);
#endif
    UBRR0 = UBRR_VALUE;
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00); /* eight bits, no parity, one stop bit */

    DIDR0 = 0x3F; /* no digital input buffers on the analog pins: less noise */
    ADMUX = _BV(REFS0);
    ADCSRA = _BV(ADEN) | _BV(ADIE) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0); /* 125 kHz from 16 MHz */
    TIMSK1 = _BV(OCIE1A);

    run();
    send_hello(STATUS_STARTED);
    for (;;) {
        uint8_t tail = slot_tail;
        if (tail != slot_head) {
            send_sample(tail);
            slot_tail = (uint8_t)(tail + 1) % SLOTS;
        }
        if (!text_mode && scans_since_hello >= rate_hz) /* a torn read only moves one hello */
            send_hello(STATUS_RUNNING);
        poll_commands();
    }
}
