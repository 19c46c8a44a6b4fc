/* A Modbus RTU device built on libmodbus (Debian libmodbus-dev): unit 3, one float in every word order,
   a coil that can be written. cc libmodbus_server.c -lmodbus; argument: the serial port. */
#include <modbus/modbus.h>
#include <stdio.h>

int main(int count, char **words) {
    uint8_t query[MODBUS_RTU_MAX_ADU_LENGTH];
    modbus_t *context = modbus_new_rtu(words[1], 115200, 'N', 8, 1);
    modbus_mapping_t *map = modbus_mapping_new(16, 16, 64, 64);
    if (count != 2 || !context || !map || modbus_set_slave(context, 3) || modbus_connect(context)) return 1;
    /* 123.456 is 42F6 E979 (IEEE 754). The library's own float functions swap bytes on some releases: not used. */
    static const uint16_t words_of_123_456[] = {0x42F6, 0xE979, 0xE979, 0x42F6, 0xF642, 0x79E9, 0x79E9, 0xF642};
    for (int at = 0; at < 8; at++) map->tab_registers[10 + at] = words_of_123_456[at];
    map->tab_input_bits[5] = 1;
    map->tab_input_registers[40] = 65535;
    puts("ready");
    fflush(stdout);
    for (;;) {
        int length = modbus_receive(context, query);
        if (length > 0) modbus_reply(context, query, length, map);
    }
}
