/* The limit: read lines from a serial port as they come and send one datagram for each, and do nothing else. */
#include <arpa/inet.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

int main(int argc, char **argv) {
    if (argc != 3) return 2;
    int port = open(argv[1], O_RDONLY | O_NOCTTY);
    int out = socket(AF_INET, SOCK_DGRAM, 0);
    struct sockaddr_in to = {.sin_family = AF_INET, .sin_port = htons((unsigned short)atoi(argv[2]))};
    to.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    if (port < 0 || out < 0) return 1;
    char data[4096];
    ssize_t got;
    while ((got = read(port, data, sizeof data)) > 0)
        for (ssize_t i = 0; i < got; i++)
            if (data[i] == '\n') sendto(out, "x", 1, 0, (struct sockaddr *)&to, sizeof to);
    return 0;
}
